package machine

import (
	"testing"
	"time"

	"offsetbridge/testdata/peers"
)

func boxedMachine(t *testing.T, takes time.Duration) *Server {
	t.Helper()
	s, err := Start(Options{
		Serial: "SIM-1", Name: "boxed", Program: "O1", Handover: true, HandoverTakes: takes,
		Tools: []Tool{{Name: "T1"}},
		Registers: []Register{
			{Name: "R1", Tool: "T1", Unit: "mm", Kind: "radius", Resolution: 0.001, Min: -0.5, Max: 0.5, Initial: 0.010},
			{Name: "R2", Tool: "T1", Unit: "mm", Kind: "length", Resolution: 0.001, Min: -0.5, Max: 0.5},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.Close()
		for _, p := range s.Panics() {
			t.Errorf("panic: %s", p)
		}
	})
	return s
}

// ask puts a request into the mailbox as a client would.
func (s *Server) ask(request, register int32, old, new_, check float64) {
	s.Update(func(st *State) {
		st.Mailbox.Register, st.Mailbox.Old, st.Mailbox.New, st.Mailbox.Check = register, old, new_, check
	})
	s.Update(func(st *State) { st.Mailbox.Request = request })
}

// await waits until the program has acknowledged, or fails.
func (s *Server) await(t *testing.T, acknowledged int32) Mailbox {
	t.Helper()
	for deadline := time.Now().Add(30 * time.Second); time.Now().Before(deadline); time.Sleep(time.Millisecond) {
		if m := s.State().Mailbox; m.Acknowledged == acknowledged {
			return m
		}
	}
	t.Fatalf("never acknowledged: %+v", s.State().Mailbox)
	return Mailbox{}
}

func TestTheProgramChecksWhatItTakesOver(t *testing.T) {
	s := boxedMachine(t, 0)
	for i, c := range []struct {
		register         int32
		old, new_, check float64
		result           int32
		holds            float64
	}{
		{1, 0.010, 0.012, 1 + 1 + 0.022, Taken, 0.012},
		{1, 0.010, 0.013, 2 + 1 + 0.023, RefusedOld, 0.012},
		{1, 0.012, 0.600, 3 + 1 + 0.612, RefusedLimits, 0.012},
		{3, 0.012, 0.013, 4 + 3 + 0.025, RefusedNumber, 0.012},
		{1, 0.012, 0.013, 4 + 1 + 0.025, RefusedCheck, 0.012},
		{1, 0.012, 0.013, 6 + 1 + 0.025, Taken, 0.013},
	} {
		n := int32(i + 1)
		s.ask(n, c.register, c.old, c.new_, c.check)
		if m := s.await(t, n); m.Result != c.result || s.State().Registers["R1"] != c.holds {
			t.Errorf("request %d: result %d, R1 %v; want %d, %v", n, m.Result, s.State().Registers["R1"], c.result, c.holds)
		}
	}
	if n := len(s.Effects()); n != 2 {
		t.Errorf("%d effects", n)
	}
}

// While the machine cuts the program looks at nothing; what is withdrawn by then it
// never sees.
func TestTheProgramWaitsForItsSafePlace(t *testing.T) {
	s := boxedMachine(t, 0)
	s.BeginCycle()
	s.ask(1, 1, 0.010, 0.012, 2.022)
	time.Sleep(20 * time.Millisecond)
	if m := s.State().Mailbox; m.Acknowledged != 0 {
		t.Fatalf("taken over while cutting: %+v", m)
	}
	s.EndCycle()
	s.await(t, 1)
	s.BeginCycle()
	s.ask(2, 1, 0.012, 0.013, 3.025)
	s.Update(func(st *State) { st.Mailbox.Request = 0 })
	s.EndCycle()
	s.ask(3, 2, 0, 0.001, 5.001)
	s.await(t, 3)
	if got := s.State().Registers; got["R1"] != 0.012 || got["R2"] != 0.001 {
		t.Errorf("registers %v", got)
	}
}

func TestFaultsOfTheProgram(t *testing.T) {
	s := boxedMachine(t, 0)
	s.Fault(IgnoreHandover, 1)
	s.Fault(RefuseHandover(9), 1)
	s.Fault(AnotherHandover, 1)
	s.Fault(FalseHandover, 1)
	s.Fault(LateHandover(30*time.Millisecond), 1)
	s.ask(1, 1, 0.010, 0.012, 2.022)
	for deadline := time.Now().Add(30 * time.Second); s.Armed() > 4 && time.Now().Before(deadline); {
		time.Sleep(time.Millisecond)
	}
	s.ask(2, 1, 0.010, 0.012, 3.022)
	if m := s.await(t, 2); m.Result != 9 {
		t.Errorf("refused with %d", m.Result)
	}
	s.ask(3, 1, 0.010, 0.012, 4.022)
	s.await(t, 4)
	s.Update(func(st *State) { st.Mailbox.Request = 0 })
	s.ask(5, 1, 0.010, 0.012, 6.022)
	if m := s.await(t, 5); m.Result != Taken || len(s.Effects()) != 0 {
		t.Errorf("%+v, %d effects", m, len(s.Effects()))
	}
	began := time.Now()
	s.ask(6, 1, 0.010, 0.012, 7.022)
	if s.await(t, 6); time.Since(began) < 30*time.Millisecond || len(s.Effects()) != 1 {
		t.Errorf("after %s, %d effects", time.Since(began), len(s.Effects()))
	}
}

// An independent client may write the mailbox and no register.
func TestOnlyTheProgramWritesRegisters(t *testing.T) {
	t.Parallel()
	s := boxedMachine(t, 0)
	write := func(what, dataType string, v any) map[string]any {
		return map[string]any{"write": s.NodeID(what), "type": dataType, "value": v}
	}
	got := peers.Client(t, s.Endpoint(), peers.Attempt{Steps: []map[string]any{
		write("register/R1", "Double", 0.012),
		write("handover/Register", "Int32", 1), write("handover/Old", "Double", 0.010), write("handover/New", "Double", 0.012),
		write("handover/Check", "Double", 2.022), write("handover/Check", "Int32", 2), write("handover/Result", "Int32", 1),
		write("handover/Request", "Int32", 1),
	}})[0]
	if got.Error != "" {
		t.Fatal(got.Error)
	}
	for i, want := range []string{"BadNotWritable", "Good", "Good", "Good", "Good", "BadTypeMismatch", "BadNotWritable", "Good"} {
		if i >= len(got.Answers) || got.Answers[i]["write"] != want {
			t.Fatalf("write %d: %v, want %s", i, got.Answers, want)
		}
	}
	s.await(t, 1)
	if e := s.Effects(); len(e) != 1 || e[0].New != 0.012 || e[0].Session == "" {
		t.Errorf("effects %+v", e)
	}
}
