package machine

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"
)

// A struck request either has its effect or not, and is answered or not; that
// pair, and that the next request is untouched, is what a fault promises.
func TestFaultsOfAWrite(t *testing.T) {
	const old, asked = 0.01, 0.015
	for name, tc := range map[string]struct {
		fault Fault
		value float64
		code  ua.StatusCode // when answered
		lost  bool          // no answer
	}{
		"lost request":     {LoseRequest, old, 0, true},
		"lost answer":      {LoseAnswer, asked, 0, true},
		"good, not done":   {GoodNotApplied, old, ua.StatusOK, false},
		"clipped":          {ClipValue, 0.012, ua.StatusOK, false},
		"uncertain":        {UncertainAnswer, asked, ua.StatusUncertain, false},
		"refused":          {RefuseWrite, old, ua.StatusBadInvalidState, false},
		"drop on write":    {DropOnWrite, old, 0, true},
		"drop after write": {DropAfterWrite, asked, 0, true},
		"drop":             {DropConnection, old, 0, true},
	} {
		t.Run(name, func(t *testing.T) {
			s := start(t)
			c := connect(t, s)
			if tc.lost {
				c.patience = 300 * time.Millisecond
			}
			s.Fault(tc.fault, 1)
			code, err := c.write(wear, asked)
			if tc.lost != (err != nil) {
				t.Errorf("answer %v, %v", code, err)
			}
			if err == nil && code != tc.code {
				t.Errorf("answered %v, want %v", code, tc.code)
			}
			if got := s.State().Registers["T12 wear radius"]; got != tc.value {
				t.Errorf("the register holds %v, want %v", got, tc.value)
			}
			want := 0
			if tc.value != old {
				want = 1
			}
			if e := s.Effects(); len(e) != want {
				t.Errorf("effects %+v", e)
			} else if want == 1 && (e[0].Requested != asked || e[0].New != tc.value) {
				t.Errorf("effect %+v", e[0])
			}
			if s.Armed() != 0 {
				t.Errorf("%d still armed", s.Armed())
			}
			if code, err := connect(t, s).write(wear, 0.03); err != nil || code != ua.StatusOK || s.State().Registers["T12 wear radius"] != 0.03 {
				t.Errorf("the next write: %v, %v", code, err)
			}
		})
	}
}

func TestALateEffectComesLate(t *testing.T) {
	s := start(t)
	came := make(chan Effect, 1)
	s.OnEffect(func(e Effect) { came <- e })
	c := connect(t, s)
	c.patience = 50 * time.Millisecond
	begin := time.Now()
	s.Fault(LateEffect(300*time.Millisecond), 1)
	if code, err := c.write(wear, 0.02); err == nil {
		t.Fatalf("answered %v", code)
	}
	if got := s.State().Registers["T12 wear radius"]; got != 0.01 && time.Since(begin) < 300*time.Millisecond {
		t.Errorf("at once: %v", got)
	}
	s.Stop() // the effect is already inside the control
	select {
	case e := <-came:
		if time.Since(begin) < 300*time.Millisecond || e.New != 0.02 || s.State().Registers["T12 wear radius"] != 0.02 {
			t.Errorf("after %v: %+v", time.Since(begin), e)
		}
	case <-time.After(deadline):
		t.Fatal("the effect never came")
	}
}

func TestACloseForgetsLateEffects(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	c.patience = 30 * time.Millisecond
	s.Fault(LateEffect(50*time.Millisecond), 1)
	c.write(wear, 0.02)
	s.mu.Lock()
	n := len(s.late)
	s.mu.Unlock()
	if n == 1 { // a very slow test machine may have seen the effect already
		s.Close()
		time.Sleep(100 * time.Millisecond) // nothing to wait for: it must not come
		if e := s.Effects(); len(e) != 0 {
			t.Errorf("effects after close: %+v", e)
		}
	}
}

func TestFaultsOfARead(t *testing.T) {
	s := start(t)
	c := connect(t, s)

	s.Fault(FrozenRead, 2)
	frozen := time.Now()
	s.EndCycle()
	s.SetRegister("T12 wear radius", 0.2)
	for range 2 {
		if v := c.read("counter", wear); v[0].Value.Value() != uint64(0) || v[1].Value.Value() != 0.01 || v[1].SourceTimestamp.After(frozen) {
			t.Errorf("frozen: %v, %v at %v", v[0].Value.Value(), v[1].Value.Value(), v[1].SourceTimestamp)
		}
	}
	if v := c.read("counter", wear); v[0].Value.Value() != uint64(1) || v[1].Value.Value() != 0.2 || !v[1].SourceTimestamp.After(frozen) {
		t.Errorf("thawed: %v, %v at %v", v[0].Value.Value(), v[1].Value.Value(), v[1].SourceTimestamp)
	}

	s.Fault(BadRead, 1)
	if v := c.read("counter", wear); v[0].Status != ua.StatusOK || v[1].Status != ua.StatusBadNoCommunication || v[1].Has(ua.DataValueValue) {
		t.Errorf("bad read: %v %v", v[0].Status, v[1].Status)
	}

	s.Fault(SlowRead(200*time.Millisecond), 1)
	begin := time.Now()
	done := make(chan *ua.DataValue, 1)
	go func() { done <- c.read("counter")[0] }()
	for s.Armed() > 0 {
		time.Sleep(time.Millisecond)
	}
	s.EndCycle()
	if v := connect(t, s).value("counter"); v != uint64(2) {
		t.Errorf("another client meanwhile reads %v", v)
	}
	if v := <-done; v.Value.Value() != uint64(1) || time.Since(begin) < 200*time.Millisecond {
		t.Errorf("the slow read says %v after %v", v.Value.Value(), time.Since(begin))
	}

	s.Fault(DropConnection, 1)
	if _, err := c.Read(within(t), &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{{NodeID: c.node(wear), AttributeID: ua.AttributeIDValue, DataEncoding: &ua.QualifiedName{}}}}); err == nil {
		t.Error("a dropped connection answered")
	}
}

func TestFaultsStrikeOnlyWhatTheyMean(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	s.Fault(LoseRequest, 1)
	s.Fault(BadRead, 1)
	status := &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{{NodeID: ua.NewNumericNodeID(0, 2256), AttributeID: ua.AttributeIDValue, DataEncoding: &ua.QualifiedName{}}}}
	if resp, err := c.Read(within(t), status); err != nil || resp.Results[0].Status != ua.StatusOK {
		t.Errorf("server status: %v", err)
	}
	if code, err := c.write("counter", uint64(1)); err != nil || code != ua.StatusBadNotWritable {
		t.Errorf("a write to the counter: %v %v", code, err)
	}
	if s.Armed() != 2 {
		t.Errorf("%d armed, want 2", s.Armed())
	}
	s.ClearFaults()
	if code, err := c.write(wear, 0.02); err != nil || code != ua.StatusOK {
		t.Errorf("after clearing: %v %v", code, err)
	}
	s.Fault(RefuseWrite, 0)
	s.Fault(Fault{}, 3)
	if s.Armed() != 0 {
		t.Errorf("%d armed by nothing", s.Armed())
	}
}

func TestFaultsStrikeInOrderAndByCount(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	s.Fault(RefuseWrite, 2)
	s.Fault(UncertainAnswer, 1)
	for i, want := range []ua.StatusCode{ua.StatusBadInvalidState, ua.StatusBadInvalidState, ua.StatusUncertain, ua.StatusOK} {
		if code, err := c.write(wear, 0.02); err != nil || code != want {
			t.Errorf("write %d: %v %v, want %v", i, code, err, want)
		}
	}
}

func TestALostAnswerLeavesTheConnectionUsable(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	s.Fault(LoseAnswer, 1)
	ctx, cancel := context.WithTimeout(context.Background(), 100*time.Millisecond)
	defer cancel()
	_, err := c.Write(ctx, registerWrite(0.02))
	if !errors.Is(err, context.DeadlineExceeded) && !errors.Is(err, ua.StatusBadTimeout) {
		t.Errorf("lost answer: %v", err)
	}
	if got := c.value(wear); got != 0.02 {
		t.Errorf("afterwards on the same connection: %v", got)
	}
}
