package machine

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// boxed gives the fake a mailbox and a program of its control that acts on it at
// once, unless it is told otherwise.
type boxed struct {
	*fakeRig
	act bool // the program runs
}

func newBoxed() *boxed {
	r := &boxed{fakeRig: newFakeRig(), act: true}
	for _, n := range []string{boxRequest, boxRegister, boxAcknowledged, boxResult} {
		r.f.add(n, int32(0), 6, 3)
	}
	for _, n := range []string{boxOld, boxNew, boxCheck} {
		r.f.add(n, 0.0, 11, 3)
	}
	r.f.nodes["ns=2;s=R1"].access, r.f.nodes["ns=2;s=R2"].access = 1, 1 // nobody but the control
	r.f.program = r.run
	return r
}

func (r *boxed) options() Options {
	o := r.fakeRig.options()
	id := func(s string) Node { return Node{ID: "nsu=" + fakeURI + ";s=" + s} }
	o.Handover = &Handover{
		Request: id(boxRequest), Register: id(boxRegister), Old: id(boxOld), New: id(boxNew), Check: id(boxCheck),
		Acknowledged: id(boxAcknowledged), Result: id(boxResult),
	}
	o.Quarantine = 300 * time.Millisecond
	o.Registers[0].Number, o.Registers[1].Number = 12, 13
	return o
}

func (r *boxed) whole(n string) int64 {
	v, _ := integer(ua.MustVariant(r.f.nodes["ns=2;s="+n].value))
	return v
}

func (r *boxed) real(n string) float64 { return r.f.nodes["ns=2;s="+n].value.(float64) }

// run is the control's program, as Handover says it. Under the lock.
func (r *boxed) run(spoilt mishap) {
	request := r.whole(boxRequest)
	if !r.act || request == 0 || request == r.whole(boxAcknowledged) {
		return
	}
	name := map[int64]string{12: "R1", 13: "R2"}[r.whole(boxRegister)]
	before, after := r.real(boxOld), r.real(boxNew)
	result := int32(handedOver)
	switch {
	case name == "":
		result = reasonNumber
	case math.Abs(float64(request+r.whole(boxRegister))+before+after-r.real(boxCheck)) > 0.0005:
		result = reasonCheck
	case r.real(name) != before:
		result = reasonOld
	default:
		if spoilt == clipped {
			after = before + (after-before)/2
		}
		n := r.f.nodes["ns=2;s="+name]
		n.value, n.source = after, r.f.clock()
		r.f.effects++
	}
	r.f.nodes["ns=2;s="+boxResult].value = result
	r.f.nodes["ns=2;s="+boxAcknowledged].value = int32(request)
}

// let changes the program and has it look at the mailbox.
func (r *boxed) let(act bool) {
	r.f.mu.Lock()
	r.act = act
	r.run(none)
	r.f.mu.Unlock()
	r.f.wake()
}

func (r *boxed) put(n string, v any) { r.f.change(n, func(x *fakeNode) { x.value = v }) }

func TestConformanceFakeHandover(t *testing.T) {
	conformance(t, func(*testing.T) rig { return newBoxed() }, (*testing.T).Parallel)
}

func handing(t *testing.T, change func(*Options)) (*boxed, *scene) {
	t.Helper()
	r := newBoxed()
	s := play(t, r, change)
	s.live()
	return r, s
}

// What the program refuses stays as it is, and its reason is told in words.
func TestHandoverRefused(t *testing.T) {
	t.Parallel()
	r, s := handing(t, nil)
	r.f.mu.Lock()
	r.f.program = func(mishap) {
		if r.whole(boxRequest) != 0 {
			r.f.nodes["ns=2;s="+boxResult].value = int32(reasonLimits)
			r.f.nodes["ns=2;s="+boxAcknowledged].value = r.f.nodes["ns=2;s="+boxRequest].value
		}
	}
	r.f.mu.Unlock()
	o := s.write(s.intent(12 * step))
	s.expect(o, core.Refused, CodeRefused)
	if !strings.Contains(o.Text, reasons[reasonLimits]) {
		t.Errorf("text %q", o.Text)
	}
	s.holds(0.010, 0)
}

// A hand that edits between the last look and the effect is not overwritten: the
// control itself compares. A direct write would have.
func TestHandoverNeverOverwritesAHand(t *testing.T) {
	t.Parallel()
	r, s := handing(t, nil)
	inner := r.f.program
	r.f.mu.Lock()
	r.f.program = func(m mishap) {
		if r.whole(boxRequest) != 0 {
			r.f.nodes["ns=2;s=R1"].value = 0.011 // at the last moment
		}
		inner(m)
	}
	r.f.mu.Unlock()
	o := s.write(s.intent(12 * step))
	s.expect(o, core.Refused, CodeRefused)
	if o.Read != 11*step {
		t.Errorf("read %s", o.Read)
	}
	s.holds(0.011, 0)
}

// A program that does not take the request up: it is withdrawn and never acts.
func TestHandoverNotTakenUp(t *testing.T) {
	t.Parallel()
	r, s := handing(t, nil)
	r.let(false)
	o := s.write(s.intent(12 * step))
	s.expect(o, core.Unknown, CodeNotTaken)
	s.again(o)
	r.let(true)
	if n := r.whole(boxRequest); n != 0 {
		t.Errorf("request %d is still there", n)
	}
	s.holds(0.010, 0)
	s.expect(s.write(s.intent(12*step)), core.Applied, "")
}

// A hold takes a waiting request back at once.
func TestHandoverStopped(t *testing.T) {
	t.Parallel()
	r, s := handing(t, func(o *Options) { o.Answer = time.Hour })
	r.let(false)
	asked := 0
	o := s.m.Write(context.Background(), s.intent(12*step), func() bool { asked++; return asked < 4 })
	s.expect(o, core.Unknown, CodeNotTaken)
	r.let(true)
	s.holds(0.010, 0)
}

// An acknowledgement of another request proves nothing.
func TestHandoverAcknowledgesAnother(t *testing.T) {
	t.Parallel()
	r, s := handing(t, nil)
	r.f.mu.Lock()
	r.f.program = func(mishap) {
		if r.whole(boxRequest) != 0 {
			r.f.nodes["ns=2;s="+boxResult].value = int32(handedOver)
			r.f.nodes["ns=2;s="+boxAcknowledged].value = int32(777)
		}
	}
	r.f.mu.Unlock()
	s.expect(s.write(s.intent(12*step)), core.Unknown, CodeUncertain)
	s.holds(0.010, 0)
}

// Applied, says the program, and the register holds the old value: not believed.
func TestHandoverWithoutEffect(t *testing.T) {
	t.Parallel()
	r, s := handing(t, nil)
	r.f.mu.Lock()
	r.f.program = func(mishap) {
		r.f.nodes["ns=2;s="+boxResult].value = int32(handedOver)
		r.f.nodes["ns=2;s="+boxAcknowledged].value = r.f.nodes["ns=2;s="+boxRequest].value
	}
	r.f.mu.Unlock()
	s.expect(s.write(s.intent(12*step)), core.Unknown, CodeNotYet)
}

// A request that an earlier life left open is withdrawn; until the control cannot be
// at it any more no session is up, so that nothing is taken for its end.
func TestHandoverLeftOpen(t *testing.T) {
	t.Parallel()
	r := newBoxed()
	r.act = false
	r.put(boxRequest, int32(5))
	s := play(t, r, nil)
	began := time.Now()
	s.until("the mailbox to be emptied", func() bool { return s.link.Cause == CodeMailbox })
	if s.link.Bad || s.sample.Order > 0 {
		t.Errorf("link %+v, sample %+v", s.link, s.sample)
	}
	s.live()
	if d := time.Since(began); d < s.o.Quarantine {
		t.Errorf("up after %s", d)
	}
	if r.whole(boxRequest) != 0 {
		t.Error("not withdrawn")
	}
}

// A request that turns up in a live session, late or of somebody else, ends it.
func TestHandoverTurnsUp(t *testing.T) {
	t.Parallel()
	r, s := handing(t, nil)
	r.let(false)
	r.put(boxRequest, int32(5))
	s.down(CodeMailbox)
	s.live()
	if r.whole(boxRequest) != 0 {
		t.Error("not withdrawn")
	}
}

// A field of a write long given up arrives between ours: the check does not fit.
func TestHandoverSpoiltByALateField(t *testing.T) {
	t.Parallel()
	for _, field := range []struct {
		name string
		v    any
	}{{boxNew, 0.200}, {boxOld, 0.010001}, {boxRegister, int32(13)}, {boxCheck, 0.5}} {
		r, s := handing(t, nil)
		inner := r.f.program
		r.f.mu.Lock()
		if field.name == boxRegister {
			r.f.nodes["ns=2;s=R2"].value = 0.010 // even where the old value would fit
		}
		r.f.program = func(m mishap) {
			if r.whole(boxRequest) != 0 {
				r.f.nodes["ns=2;s="+field.name].value = field.v
			}
			inner(m)
		}
		r.f.mu.Unlock()
		if o := s.write(s.intent(12 * step)); o.Result != core.Refused {
			t.Errorf("%s: %s %s", field.name, o.Result, o.Text)
		}
		s.holds(0.010, 0)
	}
}

// Somebody else fills the mailbox between our fields and our number.
func TestHandoverSharedMailbox(t *testing.T) {
	t.Parallel()
	r, s := handing(t, nil)
	r.f.mu.Lock()
	reads := 0
	r.f.onRead = func() {
		if reads++; reads == 2 { // what was filled is read back
			r.put(boxNew, 0.4)
		}
	}
	r.f.mu.Unlock()
	s.expect(s.write(s.intent(12*step)), core.NotSent, CodeFill)
	s.holds(0.010, 0)
	if r.whole(boxRequest) != 0 {
		t.Error("a request was sent")
	}
}

// The mailbox has a type that cannot carry it, or may not be written.
func TestHandoverDoesNotFit(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		code core.Code
		node string
		v    any
	}{
		"request is true or false":   {CodeType, boxRequest, true},
		"old is a whole number":      {CodeType, boxOld, int32(0)},
		"check is single precision":  {CodeType, boxCheck, float32(0)},
		"acknowledged is below zero": {CodeType, boxAcknowledged, int32(-1)},
	} {
		r := newBoxed()
		r.put(c.node, c.v)
		s := play(t, r, func(o *Options) { o.Registers[1].Number = 9000 })
		s.down(c.code)
		if !s.link.Bad {
			t.Errorf("%s: %+v", name, s.link)
		}
	}
	r := newBoxed()
	r.f.nodes["ns=2;s="+boxNew].access = 1
	s := play(t, r, nil)
	s.live()
	s.expect(s.write(s.intent(12*step)), core.NotSent, CodeReadOnly)
	report := Inspect(t.Context(), s.o)
	if report.Writes != "hand-over" || len(report.Problems) != 1 || report.Problems[0].Code != string(CodeReadOnly) || !strings.Contains(report.Problems[0].Text, boxNew) {
		t.Errorf("report %+v", report.Problems)
	}
}

// A control that keeps numbers as text or in single precision.
func TestHandoverTypes(t *testing.T) {
	t.Parallel()
	r := newBoxed()
	for _, n := range []string{boxOld, boxNew, boxCheck, boxRequest, boxRegister, boxAcknowledged, boxResult} {
		r.f.nodes["ns=2;s="+n].value, r.f.nodes["ns=2;s="+n].dataType = "0", 12
	}
	sent := map[string]any{}
	r.f.program = func(mishap) {
		for _, n := range []string{boxRequest, boxRegister, boxOld, boxNew, boxCheck} {
			sent[n] = r.f.nodes["ns=2;s="+n].value
		}
		if sent[boxRequest] == "42" {
			r.f.nodes["ns=2;s=R1"].value = 0.012
			r.f.nodes["ns=2;s="+boxResult].value, r.f.nodes["ns=2;s="+boxAcknowledged].value = "1", "42"
		}
	}
	s := play(t, r, nil)
	s.live()
	s.expect(s.write(s.intent(12*step)), core.Applied, "")
	for n, want := range map[string]string{boxRegister: "12", boxOld: "0.010", boxNew: "0.012", boxCheck: "54.022"} {
		got, err := length.ParseNumber(sent[n].(string), length.MM)
		wanted, _ := length.ParseNumber(want, length.MM)
		if err != nil || got != wanted {
			t.Errorf("%s: %v, want %s", n, sent[n], want)
		}
	}
}

func TestRequestNumbers(t *testing.T) {
	for _, c := range []struct {
		intent uint64
		shown  []int64
		want   int64
	}{
		{1, []int64{0, 0}, 1}, {42, []int64{0, 41}, 42}, {9999, []int64{0, 0}, 9999}, {10_000, []int64{0, 0}, 1},
		{1, []int64{1, 1}, 2}, {1, []int64{2, 1}, 3}, {1, []int64{1, 2}, 3}, {9999, []int64{0, 9999}, 1}, {9999, []int64{1, 9999}, 2},
	} {
		if got := nextRequest(c.intent, c.shown...); got != c.want {
			t.Errorf("intent %d beside %v: %d, want %d", c.intent, c.shown, got, c.want)
		}
	}
}

func TestHandoverOptions(t *testing.T) {
	o := hurried(newBoxed().options())
	o.Registers[1].Number = 12
	o.Handover.Check = o.Handover.New
	err := o.Check()
	if err == nil || !strings.Contains(err.Error(), "share the number 12") || !strings.Contains(err.Error(), "share the node id") {
		t.Errorf("error %v", err)
	}
	o.Registers[0].Number = 0
	if err := o.Check(); err == nil || !strings.Contains(err.Error(), "number 0") {
		t.Errorf("error %v", err)
	}
}
