package machine

import (
	"context"
	"fmt"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// rig is a machine under test for the conformance suite: registers R1 (0.010
// mm) and R2 (-0.020 mm), tool T1, program P1, serial K-1, writing permitted,
// each register ±0.5 mm at the machine.
type rig interface {
	options() Options
	base() (counter uint64, generation int64)
	// set changes something at the machine: "R1", "R2" (float64), "counter",
	// "generation" (int, only upwards), "program" (string), "permitted" (bool).
	set(what string, v any)
	get(register string) float64
	effects() int // register changes that came from us; -1 when not counted
	down()
	up()
	// arm makes the next write (frozen: everything) go wrong, false when this
	// machine cannot.
	arm(m mishap, late time.Duration) bool
	clear()
}

type mishap int

const (
	none mishap = iota
	requestLost
	answerLost
	lateEffect
	notApplied
	clipped
	uncertain
	refused
	droppedBefore
	droppedAfter
	frozen
)

const step = length.Micrometre

func register(name string, n Node) Register {
	return Register{Name: name, Node: n, Unit: length.MM, Step: step, Band: length.Range{Low: -400 * step, High: 400 * step}}
}

// patience bounds every wait in these tests; nothing is measured with it.
const patience = time.Minute

var began = time.Now()

func now() int64 { return time.Since(began).Milliseconds() }

// scene is one machine with one client.
type scene struct {
	*testing.T
	r rig
	m *Machine
	o Options
	// what was last seen
	link   core.Link
	sample core.Sample
	links  []core.Link
}

// hurried sets times that suit a test.
func hurried(o Options) Options {
	o.Name, o.Serial, o.Demo = "test", "K-1", true
	o.Now = now
	o.Answer, o.Request = 700*time.Millisecond, 2*time.Second
	o.Window = 5 * time.Second // this computer may be busy; the window has its own test
	o.Health, o.Poll, o.Watch = 300*time.Millisecond, 200*time.Millisecond, 20*time.Millisecond
	o.Retry, o.Longest, o.Recheck, o.Relogin = 10*time.Millisecond, 50*time.Millisecond, 50*time.Millisecond, 50*time.Millisecond
	return o
}

func play(t *testing.T, r rig, change func(*Options)) *scene {
	t.Helper()
	o := hurried(r.options())
	if change != nil {
		change(&o)
	}
	s := &scene{T: t, r: r, o: o, m: Open(o)}
	t.Cleanup(func() { s.m.Close() })
	return s
}

// until takes events until ok, or fails.
func (s *scene) until(what string, ok func() bool) {
	s.Helper()
	deadline := time.After(patience)
	for !ok() {
		select {
		case f, open := <-s.m.Events():
			if !open {
				s.Fatalf("waiting for %s: events ended", what)
			}
			switch x := f.(type) {
			case core.Link:
				s.link = x
				s.links = append(s.links, x)
			case core.Sample:
				if x.Order <= s.sample.Order {
					s.Fatalf("sample %d after %d", x.Order, s.sample.Order)
				}
				if x.Epoch == s.link.Epoch && !s.link.Up {
					s.Fatalf("sample of session %d after its end", x.Epoch)
				}
				s.sample = x
			}
		case <-deadline:
			s.Fatalf("waited in vain for %s; link %+v, sample %+v", what, s.link, s.sample)
		}
	}
}

func (s *scene) live() {
	s.Helper()
	epoch := s.sample.Epoch
	if s.link.Up {
		epoch-- // the one we are in will do
	}
	s.until("a live session", func() bool { return s.link.Up && s.sample.Epoch == s.link.Epoch && s.sample.Epoch > epoch })
}

func (s *scene) down(code core.Code) {
	s.Helper()
	s.until("link down with "+string(code), func() bool { return !s.link.Up && s.link.Cause == code })
}

func (s *scene) reads(register int, l length.Length) {
	s.Helper()
	s.until(fmt.Sprintf("register %d to read %s", register, l), func() bool {
		return s.link.Up && s.sample.Epoch == s.link.Epoch && s.sample.Registers[register] == l
	})
}

// intent is one that suits what was last sampled.
func (s *scene) intent(to length.Length) core.Intent {
	return core.Intent{
		ID: 42, Register: "R1", Old: s.sample.Registers[0], New: to, Tool: "T1", Gen: s.sample.Tools[0], Program: "P1",
		Epoch: s.sample.Epoch, SendBy: now() + 60_000,
	}
}

func yes() bool { return true }

// write sends the intent while events are still being taken: nobody guarantees
// the machine that its consumer listens during a write.
func (s *scene) write(in core.Intent) core.Outcome {
	return s.m.Write(context.Background(), in, yes)
}

func (s *scene) expect(o core.Outcome, r core.Result, code core.Code) {
	s.Helper()
	if o.Result != r || o.Code != code || o.Intent != 42 {
		s.Fatalf("outcome %s %s (%s), want %s %s", o.Result, o.Code, o.Text, r, code)
	}
	if code != "" && Words[code] == "" {
		s.Errorf("code %s has no words", code)
	}
}

// holds checks the register at the machine itself, and how often we changed it.
func (s *scene) holds(mm float64, effects int) {
	s.Helper()
	if got := s.r.get("R1"); got != mm {
		s.Errorf("R1 holds %v at the machine, want %v", got, mm)
	}
	if got := s.r.effects(); got >= 0 && got != effects {
		s.Errorf("%d effects at the machine, want %d", got, effects)
	}
}

// conformance is what every machine behind the port must show. The fake, the
// bundled simulator and an independent server all run it. side is called first
// in every test: whether it runs beside the others.
func conformance(t *testing.T, start func(*testing.T) rig, side func(*testing.T)) {
	for name, test := range map[string]func(*scene){
		"comes up and samples": func(s *scene) {
			s.live()
			if !s.link.Up || s.link.Text == "" || s.link.Cause != "" {
				s.Errorf("link %+v", s.link)
			}
			x := s.sample
			counter, generation := s.r.base()
			if x.Counter != counter || x.Program != "P1" || !x.Permitted || len(x.Tools) != 1 || x.Tools[0] != generation ||
				len(x.Registers) != 2 || x.Registers[0] != 10*step || x.Registers[1] != -20*step {
				s.Errorf("sample %+v", x)
			}
		},
		"follows the machine": func(s *scene) {
			s.live()
			counter, generation := s.r.base()
			s.r.set("counter", int(counter)+2)
			s.until("the counter", func() bool { return s.sample.Counter == counter+2 })
			s.r.set("R1", 0.015)
			s.reads(0, 15*step)
			s.r.set("permitted", false)
			s.until("not permitted", func() bool { return !s.sample.Permitted })
			s.r.set("generation", int(generation)+1)
			s.until("the generation", func() bool { return s.sample.Tools[0] == generation+1 })
			s.r.set("program", "P2")
			s.until("program P2", func() bool { return s.sample.Program == "P2" })
		},
		"applies and proves": func(s *scene) {
			s.live()
			o := s.write(s.intent(-137 * step))
			s.expect(o, core.Applied, "")
			if o.Read != -137*step || o.Sample == nil || o.Sample.Order <= s.sample.Order || o.Sample.Registers[0] != -137*step {
				s.Errorf("outcome %+v", o)
			}
			s.holds(-0.137, 1)
			s.reads(0, -137*step)
		},
		"value typed between decision and write": func(s *scene) {
			s.live()
			in := s.intent(12 * step)
			s.r.set("R1", 0.011)
			o := s.write(in)
			s.expect(o, core.NotSent, CodeOld)
			if o.Read != 11*step || o.Sample == nil {
				s.Errorf("outcome %+v", o)
			}
			s.holds(0.011, 0)
		},
		"tool changed": func(s *scene) {
			_, generation := s.r.base()
			precondition("generation", int(generation)+1, CodeTool)(s)
		},
		"program changed": precondition("program", "P2", CodeProgram),
		"not permitted":   precondition("permitted", false, CodePermitted),
		"refused": func(s *scene) {
			s.mishap(refused, 0)
			s.expect(s.write(s.intent(12*step)), core.Refused, CodeRefused)
			s.holds(0.010, 0)
			s.expect(s.write(s.intent(12*step)), core.Applied, "")
		},
		"answer lost": func(s *scene) {
			s.mishap(answerLost, 0)
			o := s.write(s.intent(12 * step))
			s.expect(o, core.Unknown, CodeNoAnswer)
			s.again(o)
			s.reads(0, 12*step)
			s.holds(0.012, 1)
		},
		"request lost": func(s *scene) {
			s.mishap(requestLost, 0)
			o := s.write(s.intent(12 * step))
			s.expect(o, core.Unknown, CodeNoAnswer)
			s.again(o)
			s.reads(0, 10*step)
			s.holds(0.010, 0)
		},
		"late effect": func(s *scene) {
			s.mishap(lateEffect, 1500*time.Millisecond)
			o := s.write(s.intent(12 * step))
			s.expect(o, core.Unknown, CodeNoAnswer)
			s.again(o)
			s.reads(0, 12*step)
			s.holds(0.012, 1)
		},
		"good but not applied": func(s *scene) {
			s.mishap(notApplied, 0)
			o := s.write(s.intent(12 * step))
			want := CodeNotYet
			if s.o.Handover != nil {
				want = CodeUncertain // the mailbox does not show the request
			}
			s.expect(o, core.Unknown, want)
			if o.Read != 0 && o.Read != 10*step {
				s.Errorf("read %s", o.Read)
			}
			s.again(o)
			s.holds(0.010, 0)
		},
		"clipped": func(s *scene) {
			s.mishap(clipped, 0)
			o := s.write(s.intent(20 * step))
			s.expect(o, core.Differs, CodeClipped)
			if o.Read != 15*step {
				s.Errorf("read %s", o.Read)
			}
		},
		"uncertain answer": func(s *scene) {
			s.mishap(uncertain, 0)
			o := s.write(s.intent(12 * step))
			s.expect(o, core.Unknown, CodeUncertain)
			s.again(o)
			s.holds(0.012, 1)
		},
		"connection dropped before the write": func(s *scene) {
			s.mishap(droppedBefore, 0)
			o := s.write(s.intent(12 * step))
			s.expect(o, core.Unknown, CodeNoAnswer)
			s.again(o)
			s.holds(0.010, 0)
		},
		"connection dropped after the write": func(s *scene) {
			s.mishap(droppedAfter, 0)
			o := s.write(s.intent(12 * step))
			s.expect(o, core.Unknown, CodeNoAnswer)
			s.again(o)
			s.reads(0, 12*step)
			s.holds(0.012, 1)
		},
		"server down and back": func(s *scene) {
			s.live()
			s.r.down()
			s.until("link down", func() bool { return !s.link.Up })
			if s.link.Bad {
				s.Errorf("an outage is no difference: %+v", s.link)
			}
			in := s.intent(12 * step)
			s.expect(s.write(in), core.NotSent, CodeDown)
			s.r.up()
			s.live()
			s.expect(s.write(in), core.NotSent, CodeEpoch) // decided in the old session
			s.expect(s.write(s.intent(12*step)), core.Applied, "")
		},
		"server stops answering": func(s *scene) {
			s.mishap(frozen, 0)
			s.until("link down", func() bool { return !s.link.Up })
			if s.link.Cause != CodeFrozen || s.link.Bad {
				s.Errorf("link %+v", s.link)
			}
			s.r.clear()
			s.live()
		},
	} {
		t.Run(name, func(t *testing.T) {
			side(t)
			r := start(t)
			test(play(t, r, nil))
		})
	}
	t.Run("differences", func(t *testing.T) { differences(t, start, side) })
	t.Run("server down at the start", func(t *testing.T) {
		side(t)
		r := start(t)
		r.down()
		s := play(t, r, nil)
		s.until("link down", func() bool { return len(s.links) > 0 })
		if s.link.Up || s.link.Bad || s.link.Epoch != 0 {
			t.Errorf("link %+v", s.link)
		}
		r.up()
		s.live()
	})
}

// differences are mappings that do not fit the machine: down, bad, and nothing
// ever sent.
func differences(t *testing.T, start func(*testing.T) rig, side func(*testing.T)) {
	for name, c := range map[string]struct {
		code   core.Code
		change func(*Options)
	}{
		"wrong node":        {CodeNode, func(o *Options) { o.Registers[1].Node.ID += "x" }},
		"wrong counter":     {CodeNode, func(o *Options) { o.Counter.ID += "x" }},
		"wrong namespace":   {CodeNamespace, func(o *Options) { o.Program.ID = "nsu=urn:nowhere;s=x" }},
		"register is text":  {CodeType, func(o *Options) { o.Registers[0].Node, o.Program = o.Program, Node{} }},
		"counter is text":   {CodeType, func(o *Options) { o.Counter = o.Program }},
		"permitted is text": {CodeType, func(o *Options) { o.Permitted = o.Program }},
		"other unit":        {CodeUnit, func(o *Options) { o.Registers[0].Unit = length.IN }},
		"band too wide":     {CodeRange, func(o *Options) { o.Registers[0].Band.High = 501 * step }},
		"another machine":   {CodeSerial, func(o *Options) { o.Serial = "K-2" }},
		"simulated as real": {CodeDemo, func(o *Options) { o.Demo = false }},
		"real as simulated": {CodeDemo, func(o *Options) { o.DemoMark = "nsu=urn:nowhere;s=x" }},
		"other description": {CodeMetadata, func(o *Options) { o.Metadata = "0123456789abcdef" }},
		"other protection": {CodeSecurity, func(o *Options) {
			o.Security = Security{Policy: "Aes128_Sha256_RsaOaep", Mode: "Sign", CertificateFile: "none", KeyFile: "none"}
		}},
	} {
		t.Run(name, func(t *testing.T) {
			side(t)
			r := start(t)
			if c.code == CodeSecurity && r.options().connect != nil {
				t.Skip("the fake has no channel to protect")
			}
			s := play(t, r, c.change)
			s.down(c.code)
			if !s.link.Bad || s.link.Text == "" || Words[c.code] == "" {
				t.Errorf("link %+v", s.link)
			}
			s.expect(s.m.Write(context.Background(), core.Intent{ID: 42, Register: "R1", New: step}, yes), core.NotSent, CodeDown)
			s.o.Request = patience // once only: it has to get there
			report := Inspect(context.Background(), s.o)
			if report.Up || len(report.Problems) == 0 || report.Problems[0].Code != string(c.code) {
				t.Errorf("report %+v", report.Problems)
			}
		})
	}
}

// precondition changes something after the decision: not sent, with its code.
func precondition(what string, v any, code core.Code) func(*scene) {
	return func(s *scene) {
		s.live()
		in := s.intent(12 * step)
		s.r.set(what, v)
		s.expect(s.write(in), core.NotSent, code)
		s.holds(0.010, 0)
	}
}

func (s *scene) mishap(m mishap, late time.Duration) {
	s.Helper()
	s.live()
	if !s.r.arm(m, late) {
		s.Skip("this machine cannot be made to go wrong so")
	}
}

// again expects the session to be given up without another read in it, and
// another one to come up.
func (s *scene) again(after core.Outcome) {
	s.Helper()
	before := s.sample.Epoch
	s.until("the session to be given up", func() bool { return !s.link.Up })
	if after.Sample != nil && s.sample.Order > after.Sample.Order {
		s.Errorf("sample %d was read after an unknown outcome", s.sample.Order)
	}
	s.until("another session", func() bool { return s.link.Up && s.sample.Epoch == s.link.Epoch })
	if s.sample.Epoch <= before {
		s.Errorf("session %d after %d", s.sample.Epoch, before)
	}
}

func TestConformanceFake(t *testing.T) {
	conformance(t, func(*testing.T) rig { return newFakeRig() }, (*testing.T).Parallel)
}
