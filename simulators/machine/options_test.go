package machine

import (
	"errors"
	"math"
	"strings"
	"testing"
)

func TestAnAddressBeyondLoopbackNeedsADecision(t *testing.T) {
	for _, addr := range []string{"0.0.0.0:0", ":0", "[::]:0", "192.0.2.1:0", "machine.example:0"} {
		o := options()
		o.Addr = addr
		if s, err := Start(o); !errors.Is(err, ErrNotLoopback) {
			if s != nil {
				s.Close()
			}
			t.Errorf("%s: %v", addr, err)
		}
	}
	for _, addr := range []string{"127.0.0.1:0", "localhost:0", ""} {
		s := start(t, func(o *Options) { o.Addr = addr })
		if !strings.HasPrefix(s.Endpoint(), "opc.tcp://127.0.0.1:") && !strings.HasPrefix(s.Endpoint(), "opc.tcp://[::1]:") {
			t.Errorf("%q listens on %s", addr, s.Endpoint())
		}
	}
	wide := start(t, func(o *Options) { o.Addr, o.AllowNonLoopback = "0.0.0.0:0", true })
	if strings.Contains(wide.Endpoint(), "127.0.0.1") {
		t.Errorf("allowed, but listens on %s", wide.Endpoint())
	}
}

func TestEveryProblemOfTheOptionsIsReported(t *testing.T) {
	o := options()
	o.Addr = "nonsense"
	o.Password = "x"
	o.Tools = append(o.Tools, Tool{Name: "T12"}, Tool{Name: "a/b"}, Tool{})
	r := o.Registers[0]
	bad := func(name string, f func(*Register)) {
		x := r
		x.Name = name
		f(&x)
		o.Registers = append(o.Registers, x)
	}
	bad("T12 wear radius", func(*Register) {})
	bad("r-tool", func(x *Register) { x.Tool = "T99" })
	bad("r-unit", func(x *Register) { x.Unit = "cm" })
	bad("r-kind", func(x *Register) { x.Kind = "girth" })
	bad("r-zero", func(x *Register) { x.Resolution = 0 })
	bad("r-nan", func(x *Register) { x.Resolution = math.NaN() })
	bad("r-range", func(x *Register) { x.Min, x.Max = 1, -1 })
	bad("r-high", func(x *Register) { x.Initial = 0.6 })
	bad("r-grid", func(x *Register) { x.Initial = 0.0005 })
	_, err := Start(o)
	if !errors.Is(err, ErrOptions) {
		t.Fatal(err)
	}
	for _, want := range []string{"nonsense", "password", `tool "T12"`, `tool "a/b"`, `tool ""`, `register "T12 wear radius"`, "T99", "cm", "girth", "r-zero", "r-nan", "r-range", "r-high", "r-grid"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the error does not mention %s:\n%v", want, err)
		}
	}
}

func TestAskingForANodeThatDoesNotExistPanics(t *testing.T) {
	s := start(t)
	defer func() {
		if recover() == nil {
			t.Error("no panic")
		}
	}()
	s.NodeID("register/nothing")
}

func TestThePanel(t *testing.T) {
	s := start(t)
	if err := s.SetRegister("T12 wear radius", 0.1+0.2); err != nil {
		t.Error(err)
	}
	for name, v := range map[string]float64{"T12 wear radius": 0.6, "nothing": 0} {
		if err := s.SetRegister(name, v); !errors.Is(err, ErrRegister) {
			t.Errorf("%s = %v: %v", name, v, err)
		}
	}
	if err := s.SetRegister("T12 wear radius", 0.0005); !errors.Is(err, ErrRegister) {
		t.Errorf("off the grid: %v", err)
	}
	st := s.State()
	if st.Registers["T12 wear radius"] != 0.3 || st.Revision != 1 || len(s.Effects()) != 0 {
		t.Errorf("state %+v, effects %+v", st, s.Effects())
	}
}

func TestCyclesAndTools(t *testing.T) {
	for _, early := range []bool{false, true} {
		s := start(t, func(o *Options) { o.CountAtStart = early; o.Tools[1].Idle = true })
		s.BeginCycle()
		if st := s.State(); !st.Cutting || (st.Counter == 1) != early {
			t.Errorf("count at start %v: while cutting %+v", early, st)
		}
		s.EndCycle()
		st := s.State()
		if st.Cutting || st.Counter != 1 || st.Tools["T12"].Life != 4 || st.Tools["T14"].Life != 0 {
			t.Errorf("count at start %v: after the cycle %+v", early, st)
		}
	}
	s := start(t)
	s.ChangeTool("T12", false)
	if got := s.State().Tools["T12"]; got.Generation != 0 || got.Life != 3 || got.Changes != 1 {
		t.Errorf("unreported change: %+v", got)
	}
	s.ChangeTool("T12", true)
	s.ChangeTool("nothing", true)
	if got := s.State().Tools["T12"]; got.Generation != 1 || got.Life != 0 || got.Changes != 2 {
		t.Errorf("reported change: %+v", got)
	}
}

func TestAnUpdateStaysInsideTheMachine(t *testing.T) {
	s := start(t)
	s.Update(func(st *State) {
		st.Registers["T12 wear radius"] = 7
		st.Registers["T14 wear x"] = math.NaN()
		st.Registers["invented"] = 1
		delete(st.Registers, "T14 wear z")
		delete(st.Tools, "T12")
		st.Tools["invented"] = Tool{}
		st.Program, st.PartSerial = "O7", "S 1"
	})
	st := s.State()
	if len(st.Registers) != 3 || len(st.Tools) != 2 || st.Registers["T12 wear radius"] != 0.5 || st.Registers["T14 wear x"] != 0 {
		t.Errorf("state %+v", st)
	}
	if st.Revision != 1 || st.Program != "O7" || st.PartSerial != "S 1" {
		t.Errorf("state %+v", st)
	}
	st.Registers["T12 wear radius"] = 0 // a copy
	if s.State().Registers["T12 wear radius"] != 0.5 {
		t.Error("State hands out the machine itself")
	}
}

func TestTheRecordOfEffectsIsBounded(t *testing.T) {
	s := start(t)
	reg := &s.o.Registers[0]
	for i := range maxEffects + 10 {
		s.commit(0, "t", reg, reg.step(float64(i%100)), 0)
	}
	e := s.Effects()
	if len(e) > maxEffects || len(e) < maxEffects/2 {
		t.Errorf("%d effects kept", len(e))
	}
	if last := e[len(e)-1]; last.New != reg.step(float64((maxEffects+9)%100)) {
		t.Errorf("the newest is %+v", last)
	}
}
