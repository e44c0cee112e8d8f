package machine

import (
	"context"
	"io"
	"sync"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// Everything that stops a write before it is sent, and its code.
func TestNotSent(t *testing.T) {
	for name, c := range map[string]struct {
		code    core.Code
		options func(*Options)
		machine func(*fake)
		intent  func(*core.Intent)
	}{
		"another session":  {code: CodeEpoch, intent: func(in *core.Intent) { in.Epoch++ }},
		"too late":         {code: CodeSendBy, intent: func(in *core.Intent) { in.SendBy = now() - 1 }},
		"unknown register": {code: CodeRegister, intent: func(in *core.Intent) { in.Register = "R9" }},
		"unknown tool":     {code: CodeTool, intent: func(in *core.Intent) { in.Tool = "T9" }},
		"above the band":   {code: CodeBand, intent: func(in *core.Intent) { in.New = 401 * step }},
		"below the band":   {code: CodeBand, intent: func(in *core.Intent) { in.New = -401 * step }},
		"no change":        {code: CodeSame, intent: func(in *core.Intent) { in.New = in.Old }},
		"another old value": {
			code: CodeOld, intent: func(in *core.Intent) { in.Old += step },
		},
		"another tool generation": {code: CodeTool, intent: func(in *core.Intent) { in.Gen++ }},
		"no tool but a generation": {
			code: CodeTool, intent: func(in *core.Intent) { in.Tool, in.Gen = "", 3 },
		},
		"another program": {code: CodeProgram, intent: func(in *core.Intent) { in.Program = "P9" }},
		"window": {
			code: CodeWindow, options: func(o *Options) { o.Window = time.Millisecond },
			machine: func(f *fake) { f.onRead = func() { time.Sleep(5 * time.Millisecond) } },
		},
		"between the steps of a whole number": {
			code: CodeInexact, intent: func(in *core.Intent) { in.New = 12_500 },
			machine: func(f *fake) { f.integerRegister("R1", 10) },
			options: func(o *Options) { o.Registers[0].Unit = length.UM },
		},
		"not ours to write": {code: CodeReadOnly, machine: func(f *fake) { f.nodes["ns=2;s=R1"].access = 1 }},
		"unreadable at the pre-read": {
			code: CodePreRead, options: func(o *Options) { o.Poll, o.Health = time.Hour, time.Hour },
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newFakeRig()
			if c.machine != nil {
				c.machine(r.f)
			}
			s := play(t, r, c.options)
			s.live()
			before := r.value("R1")
			in := s.intent(12 * step)
			if c.intent != nil {
				c.intent(&in)
			}
			if c.code == CodePreRead {
				r.f.mu.Lock()
				r.f.nodes["ns=2;s=program"].status = ua.StatusBadNoCommunication
				r.f.mu.Unlock()
			}
			s.expect(s.write(in), core.NotSent, c.code)
			if r.effects() != 0 || r.value("R1") != before {
				t.Errorf("%d effects, R1 %v", r.effects(), r.value("R1"))
			}
		})
	}
}

func (r *fakeRig) value(name string) any {
	r.f.mu.Lock()
	defer r.f.mu.Unlock()
	return r.f.nodes["ns=2;s="+name].value
}

// The gate is asked again between the pre-read and the request.
func TestGateClosesAfterThePreRead(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	s := play(t, r, nil)
	s.live()
	asked := 0
	o := s.m.Write(context.Background(), s.intent(12*step), func() bool {
		asked++
		return asked == 1
	})
	s.expect(o, core.NotSent, CodeGate)
	if o.Sample == nil || asked != 2 {
		t.Errorf("asked %d times, sample %v", asked, o.Sample)
	}
	s.expect(s.m.Write(context.Background(), s.intent(12*step), nil), core.NotSent, CodeGate)
	s.holds(0.010, 0)
}

// The context ends between the pre-read and the request: nothing is sent. After
// the request it no longer matters: the outcome is still found out.
func TestContextEnds(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	s := play(t, r, nil)
	s.live()
	ctx, cancel := context.WithCancel(context.Background())
	asked := 0
	o := s.m.Write(ctx, s.intent(12*step), func() bool {
		if asked++; asked == 2 {
			cancel()
		}
		return true
	})
	s.expect(o, core.NotSent, CodeCancelled)
	s.expect(s.m.Write(ctx, s.intent(12*step), yes), core.NotSent, CodeCancelled)
	s.holds(0.010, 0)

	ctx, cancel = context.WithCancel(context.Background())
	s.epoch().via = writerFunc(func(sending context.Context, x session, id *ua.NodeID, v *ua.Variant, w time.Duration) (ua.StatusCode, error) {
		cancel()
		return direct{}.put(sending, x, parcel{node: id, value: v}, w)
	})
	s.expect(s.m.Write(ctx, s.intent(12*step), yes), core.Applied, "")
	s.holds(0.012, 1)
}

// The time allowed for sending passes while the machine is read.
func TestSendByPassesDuringThePreRead(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	s := play(t, r, func(o *Options) { o.Poll, o.Health = time.Hour, time.Hour })
	s.live()
	in := s.intent(12 * step)
	in.SendBy = now() + 200 // so that there is time to begin
	r.f.mu.Lock()
	r.f.onRead = func() {
		for now() <= in.SendBy {
			time.Sleep(time.Millisecond)
		}
	}
	r.f.mu.Unlock()
	o := s.write(in)
	s.expect(o, core.NotSent, CodeSendBy)
	if o.Sample == nil {
		t.Error("stopped before the pre-read")
	}
	s.holds(0.010, 0)
}

// A read-back that shows the new value with an old source time is a cache
// speaking: the write is not proven.
func TestReadBackFromACache(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	s := play(t, r, nil)
	s.live()
	fixed := time.Now().Add(-time.Hour)
	r.f.mu.Lock()
	r.f.nodes["ns=2;s=R1"].source = fixed
	r.f.mu.Unlock()
	e := s.epoch()
	e.via = writerFunc(func(ctx context.Context, x session, id *ua.NodeID, v *ua.Variant, w time.Duration) (ua.StatusCode, error) {
		r.f.mu.Lock()
		defer r.f.mu.Unlock()
		r.f.nodes[id.String()].value = v.Value() // but not its time
		return ua.StatusOK, nil
	})
	o := s.write(s.intent(12 * step))
	s.expect(o, core.Unknown, CodeCached)
	s.again(o)
}

// epoch is the session that is up.
func (s *scene) epoch() *epoch {
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	return s.m.current
}

type writerFunc func(context.Context, session, *ua.NodeID, *ua.Variant, time.Duration) (ua.StatusCode, error)

func (f writerFunc) fill(context.Context, session, parcel) error { return nil }

func (f writerFunc) put(ctx context.Context, s session, p parcel, w time.Duration) (ua.StatusCode, error) {
	return f(ctx, s, p.node, p.value, w)
}

// What an answer and the read-back make of a write together.
func TestClassification(t *testing.T) {
	type touch func(*fakeNode)
	keep := func(*fakeNode) {}
	to := func(v float64) touch { return func(n *fakeNode) { n.value, n.source = v, time.Now() } }
	for name, c := range map[string]struct {
		status ua.StatusCode
		err    error
		touch  touch
		result core.Result
		code   core.Code
	}{
		"good, new":                       {ua.StatusOK, nil, to(0.012), core.Applied, ""},
		"good, third":                     {ua.StatusOK, nil, to(0.011), core.Differs, CodeClipped},
		"good, old":                       {ua.StatusOK, nil, keep, core.Unknown, CodeNotYet},
		"good, unreadable":                {ua.StatusOK, nil, func(n *fakeNode) { n.status = ua.StatusBadNoCommunication }, core.Unknown, CodeNoReadBack},
		"good, not a number":              {ua.StatusOK, nil, func(n *fakeNode) { n.value = "x" }, core.Unknown, CodeNoReadBack},
		"clamped, third":                  {ua.StatusGoodClamped, nil, to(0.011), core.Differs, CodeClipped},
		"completes later":                 {ua.StatusGoodCompletesAsynchronously, nil, to(0.012), core.Unknown, CodeUncertain},
		"uncertain":                       {ua.StatusUncertain, nil, to(0.012), core.Unknown, CodeUncertain},
		"refused, old":                    {ua.StatusBadNotWritable, nil, keep, core.Refused, CodeRefused},
		"refused, new":                    {ua.StatusBadNotWritable, nil, to(0.012), core.Unknown, CodeUncertain},
		"refused, third":                  {ua.StatusBadOutOfRange, nil, to(0.5), core.Unknown, CodeUncertain},
		"whole request refused, old":      {0, ua.StatusBadUserAccessDenied, keep, core.Refused, CodeRefused},
		"bad without certainty":           {ua.StatusBadInternalError, nil, keep, core.Unknown, CodeUncertain},
		"bad timeout told by the server":  {ua.StatusBadTimeout, nil, keep, core.Unknown, CodeUncertain},
		"whole request bad, no certainty": {0, ua.StatusBadInternalError, keep, core.Unknown, CodeNoAnswer},
		"no answer":                       {0, ua.StatusBadTimeout, to(0.012), core.Unknown, CodeNoAnswer},
		"end of connection":               {0, io.EOF, to(0.012), core.Unknown, CodeNoAnswer},
		"wrong response":                  {0, wait(CodeProtocol, "two results"), to(0.012), core.Unknown, CodeNoAnswer},
		"library panic":                   {0, &panicked{what: "x"}, to(0.012), core.Unknown, CodePanic},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newFakeRig()
			s := play(t, r, func(o *Options) { o.Answer = 100 * time.Millisecond })
			s.live()
			e := s.epoch()
			sent := 0
			e.via = writerFunc(func(_ context.Context, _ session, id *ua.NodeID, _ *ua.Variant, _ time.Duration) (ua.StatusCode, error) {
				sent++
				r.f.mu.Lock()
				defer r.f.mu.Unlock()
				c.touch(r.f.nodes[id.String()])
				return c.status, c.err
			})
			s.expect(s.write(s.intent(12*step)), c.result, c.code)
			if sent != 1 {
				t.Errorf("sent %d times", sent)
			}
			unknown := c.result == core.Unknown
			if dropped := e.doom() != nil; dropped != unknown {
				t.Errorf("session given up: %v", dropped)
			}
		})
	}
}

// A panic between decision and outcome is an outcome too.
func TestPanicInAWrite(t *testing.T) {
	t.Parallel()
	for name, after := range map[string]bool{"before sending": false, "after sending": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newFakeRig()
			s := play(t, r, func(o *Options) { o.Poll, o.Health = time.Hour, time.Hour })
			s.live()
			e := s.epoch()
			armed := !after
			r.f.mu.Lock()
			r.f.onRead = func() {
				if armed {
					armed = false
					panic("boom")
				}
			}
			r.f.mu.Unlock()
			want := core.NotSent
			if after {
				want = core.Unknown
				e.via = writerFunc(func(context.Context, session, *ua.NodeID, *ua.Variant, time.Duration) (ua.StatusCode, error) {
					armed = true
					return ua.StatusOK, nil
				})
			}
			o := s.write(s.intent(12 * step))
			s.expect(o, want, CodePanic)
			s.again(o)
		})
	}
}

// Writes wait for each other, and no sample is read between a write's pre-read
// and its read-back.
func TestOneWriteAtATime(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	s := play(t, r, func(o *Options) { o.Poll = time.Millisecond })
	s.live()
	e := s.epoch()
	var mu sync.Mutex
	inside, most, readsInside := 0, 0, 0
	e.via = writerFunc(func(_ context.Context, x session, id *ua.NodeID, v *ua.Variant, w time.Duration) (ua.StatusCode, error) {
		mu.Lock()
		inside++
		most = max(most, inside)
		mu.Unlock()
		r.f.mu.Lock()
		before := r.f.reads
		r.f.mu.Unlock()
		time.Sleep(20 * time.Millisecond)
		r.f.mu.Lock()
		readsInside += r.f.reads - before
		r.f.mu.Unlock()
		st, err := direct{}.put(context.Background(), x, parcel{node: id, value: v}, w)
		mu.Lock()
		inside--
		mu.Unlock()
		return st, err
	})
	go func() {
		for range s.m.Events() { // somebody listens
		}
	}()
	var wg sync.WaitGroup
	results := make(chan core.Result, 4)
	base := s.intent(12 * step)
	for i := range 4 {
		wg.Go(func() {
			in := base
			in.New = in.Old + length.Length(i+1)*step
			results <- s.m.Write(context.Background(), in, yes).Result
		})
	}
	wg.Wait()
	close(results)
	count := map[core.Result]int{}
	for x := range results {
		count[x]++
	}
	// All four were decided on the same old value: only the first may pass.
	if most != 1 || readsInside != 0 || count[core.Applied] != 1 || count[core.NotSent] != 3 || r.effects() != 1 {
		t.Errorf("%d at a time, %d reads inside, results %v, %d effects", most, readsInside, count, r.effects())
	}
}
