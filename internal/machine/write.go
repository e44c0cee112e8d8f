package machine

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/gopcua/opcua/ua"
	"go.uber.org/zap"

	"offsetbridge/internal/core"
)

// writer is how a value gets into a register: into its own node, or handed over to
// the control's program.
type writer interface {
	// fill makes ready what has no effect by itself, before the last look at the
	// machine. An error means that nothing has been sent that could take effect.
	fill(ctx context.Context, s session, p parcel) error
	// put sends what has the effect, at most once, and waits that long for the answer.
	put(ctx context.Context, s session, p parcel, wait time.Duration) (ua.StatusCode, error)
}

// parcel is what one write sends.
type parcel struct {
	in    core.Intent
	at    int // register's place
	node  *ua.NodeID
	value *ua.Variant
	stop  func() bool // what was sent shall be taken back, if that is possible
}

// direct writes the register's own node: one register in one request, because
// several in one have no order and no way back.
type direct struct{}

func (direct) fill(context.Context, session, parcel) error { return nil }

func (direct) put(ctx context.Context, s session, p parcel, wait time.Duration) (ua.StatusCode, error) {
	return s.write(ctx, valueTo(p.node, p.value), wait)
}

func valueTo(id *ua.NodeID, v *ua.Variant) *ua.WriteValue {
	return &ua.WriteValue{
		NodeID: id, AttributeID: ua.AttributeIDValue,
		Value: &ua.DataValue{EncodingMask: ua.DataValueValue, Value: v},
	}
}

// refusals are answers after which nothing was written, if the read-back agrees.
var refusals = []ua.StatusCode{
	ua.StatusBadOutOfRange, ua.StatusBadNotWritable, ua.StatusBadTypeMismatch, ua.StatusBadUserAccessDenied,
	ua.StatusBadNodeIDUnknown, ua.StatusBadNodeIDInvalid, ua.StatusBadAttributeIDInvalid, ua.StatusBadWriteNotSupported,
	ua.StatusBadNotSupported, ua.StatusBadInvalidState, ua.StatusBadServiceUnsupported, ua.StatusBadTooManyOperations,
	ua.StatusBadInvalidArgument, ua.StatusBadLocked, ua.StatusBadRequestNotAllowed,
}

// Write carries out an intent. It re-reads everything the decision rested on in
// one Read, sends at most one request, and reads back. It never sends twice,
// and after an unknown outcome it gives the session up.
//
// gate is asked at the start and again just before sending; nil stops every
// write. A ctx that ends before sending stops the write; afterwards the write
// runs to its end, which is bounded by Options. What was read for the write is
// not in Events: the last sample is in the outcome, newer than any there.
func (m *Machine) Write(ctx context.Context, in core.Intent, gate func() bool) core.Outcome {
	a := &attempt{m: m, in: in, gate: gate, out: core.Outcome{Intent: in.ID}}
	select {
	case m.writing <- struct{}{}:
		defer func() { <-m.writing }()
		a.run(ctx)
	case <-ctx.Done():
		a.settle(core.NotSent, CodeCancelled, "")
	}
	m.o.Log.Info("write "+string(a.out.Result), zap.Uint64("intent", in.ID), zap.String("register", in.Register),
		zap.Stringer("old", in.Old), zap.Stringer("new", in.New),
		zap.String("code", string(a.out.Code)), zap.String("detail", a.out.Text))
	return a.out
}

// attempt is one write on its way.
type attempt struct {
	m    *Machine
	e    *epoch
	in   core.Intent
	gate func() bool
	at   int // register's place
	tool int // tool's place, -1 without one
	pre  *snapshot
	last *snapshot
	sent bool
	out  core.Outcome
}

func (a *attempt) settle(r core.Result, code core.Code, format string, args ...any) {
	a.out.Result, a.out.Code, a.out.Text = r, code, clipTo(mostText, fmt.Sprintf(format, args...))
	if a.last != nil {
		sample := a.last.Sample
		a.out.Read, a.out.Sample = sample.Registers[a.at], &sample
	}
}

func (a *attempt) notSent(code core.Code, format string, args ...any) {
	a.settle(core.NotSent, code, format, args...)
}

// run finds the session, keeps everybody else off it and tries.
func (a *attempt) run(ctx context.Context) {
	m := a.m
	m.mu.Lock()
	e := m.current
	m.mu.Unlock()
	switch {
	case e == nil:
		a.notSent(CodeDown, "")
		return
	case e.number != a.in.Epoch:
		a.notSent(CodeEpoch, "decided in session %d, now %d", a.in.Epoch, e.number)
		return
	}
	select {
	case e.io <- struct{}{}:
	case <-e.ended:
		a.notSent(CodeEpoch, "session %d has ended", e.number)
		return
	case <-ctx.Done():
		a.notSent(CodeCancelled, "")
		return
	}
	defer func() {
		<-e.io
		e.nudge()
	}()
	a.e = e
	defer a.dropIfUnknown()
	defer func() {
		if r := recover(); r != nil {
			result := core.NotSent
			if a.sent {
				result = core.Unknown
			}
			a.settle(result, CodePanic, "%v", r)
			e.end(wait(CodeDropped, "panic in a write: %v", r))
		}
	}()
	a.try(ctx)
}

func (a *attempt) dropIfUnknown() {
	if a.out.Result == core.Unknown {
		a.e.end(wait(CodeDropped, "%s", Words[a.out.Code]))
	}
}

func (a *attempt) try(ctx context.Context) {
	v, ok := a.prepare(ctx)
	if !ok {
		return
	}
	p := parcel{in: a.in, at: a.at, node: a.e.layout.nodes[a.e.layout.registers[a.at]].NodeID, value: v, stop: a.stopped(ctx)}
	if !a.fill(ctx, p) {
		return
	}
	began := a.m.o.clock()
	pre, err := a.read(ctx)
	if err != nil {
		a.notSent(CodePreRead, "%v", err)
		if !isTimeout(err) {
			a.e.end(faultOf(err))
		}
		return
	}
	a.pre = pre
	if !a.unchanged() || !a.open(ctx) {
		return
	}
	if spent := a.m.o.clock().Sub(began); spent > a.m.o.Window {
		a.notSent(CodeWindow, "%s, allowed %s", spent.Round(time.Millisecond), a.m.o.Window)
		return
	}
	a.sent = true
	var st ua.StatusCode
	err = guard(func() (err error) {
		st, err = a.e.via.put(context.WithoutCancel(ctx), a.e.s, p, a.m.o.Answer)
		return err
	})
	a.conclude(st, err)
}

// stopped tells a request that waits for the control's program to be taken back.
func (a *attempt) stopped(ctx context.Context) func() bool {
	return func() bool { return ctx.Err() != nil || a.gate == nil || !a.gate() || a.e.doom() != nil }
}

// fill makes the mailbox ready, where there is one. Where it cannot, the session is
// given up: the next one begins with a mailbox that is empty.
func (a *attempt) fill(ctx context.Context, p parcel) bool {
	err := guard(func() error { return a.e.via.fill(ctx, a.e.s, p) })
	switch {
	case err == nil:
		return true
	case errors.Is(err, errInexact):
		a.notSent(CodeInexact, "%s: %v", a.in.New, err)
	default:
		a.notSent(CodeFill, "%v", err)
		a.e.end(faultOf(err))
	}
	return false
}

// prepare checks everything that needs no reading and encodes the value.
func (a *attempt) prepare(ctx context.Context) (*ua.Variant, bool) {
	o := &a.m.o
	if a.e.doom() != nil {
		a.notSent(CodeDown, "the session is being given up")
		return nil, false
	}
	if !a.open(ctx) {
		return nil, false
	}
	a.at = slices.IndexFunc(o.Registers, func(r Register) bool { return r.Name == a.in.Register })
	if a.at < 0 {
		a.notSent(CodeRegister, "%q", a.in.Register)
		return nil, false
	}
	a.tool = -1
	if a.in.Tool != "" {
		if a.tool = slices.IndexFunc(o.Tools, func(t Tool) bool { return t.Name == a.in.Tool }); a.tool < 0 {
			a.notSent(CodeTool, "tool %q is not mapped", a.in.Tool)
			return nil, false
		}
	}
	r := o.Registers[a.at]
	switch {
	case !r.Band.Contains(a.in.New):
		a.notSent(CodeBand, "%s, band %s", a.in.New, r.Band)
	case a.in.New == a.in.Old:
		a.notSent(CodeSame, "%s", a.in.New)
	case !a.e.layout.writable[a.at]:
		a.notSent(CodeReadOnly, "")
	default:
		v, err := a.e.layout.codecs[a.at].encode(a.in.New)
		if err == nil {
			return v, true
		}
		a.notSent(CodeInexact, "%s: %v", a.in.New, err)
	}
	return nil, false
}

// open asks everything that may close at any time.
func (a *attempt) open(ctx context.Context) bool {
	if a.gate == nil || !a.gate() {
		a.notSent(CodeGate, "")
		return false
	}
	switch now := a.m.o.Now(); {
	case ctx.Err() != nil:
		a.notSent(CodeCancelled, "")
	case now > a.in.SendBy:
		a.notSent(CodeSendBy, "by %d ms, now %d ms", a.in.SendBy, now)
	default:
		return true
	}
	return false
}

// unchanged compares the pre-read with what the decision rested on. The
// machine's serial was compared in the same Read.
func (a *attempt) unchanged() bool {
	s, in := a.pre, a.in
	gen := int64(-1)
	if a.tool >= 0 {
		gen = s.Tools[a.tool]
	}
	switch {
	case s.Registers[a.at] != in.Old:
		a.notSent(CodeOld, "it reads %s, decided on %s", s.Registers[a.at], in.Old)
	case gen != in.Gen:
		a.notSent(CodeTool, "generation %d, decided on %d", gen, in.Gen)
	case in.Program != "" && s.Program != in.Program:
		a.notSent(CodeProgram, "%q, decided on %q", s.Program, in.Program)
	case !s.Permitted:
		a.notSent(CodePermitted, "")
	case s.orphan() != nil:
		a.notSent(CodeFill, "%v", s.orphan())
	default:
		return true
	}
	return false
}

// read takes a sample for this write.
func (a *attempt) read(ctx context.Context) (*snapshot, error) {
	s, err := a.m.snapshot(ctx, a.e)
	if err == nil {
		a.last = s
	}
	return s, err
}

// conclude turns the answer to the request into an outcome.
func (a *attempt) conclude(st ua.StatusCode, err error) {
	if s, ok := status(err); ok {
		st = s // a refusal of the whole request
	}
	var p *panicked
	var no declined
	switch certain := slices.Contains(refusals, st); {
	case errors.As(err, &p):
		a.settle(core.Unknown, CodePanic, "%v", err)
	case errors.As(err, &no):
		a.concludeDeclined(no)
	case errors.Is(err, errNotTaken), errors.Is(err, errStopped):
		a.settle(core.Unknown, CodeNotTaken, "%v", err)
	case errors.Is(err, errOther), errors.Is(err, errChanged):
		a.settle(core.Unknown, CodeUncertain, "%v", err)
	case certain:
		a.concludeRefusal(st)
	case err != nil:
		a.settle(core.Unknown, CodeNoAnswer, "%v", err)
	case st == ua.StatusOK || st == ua.StatusGoodClamped:
		a.prove(st)
	default:
		// Read once, so that whoever clears this knows what it showed.
		_, _ = a.read(context.Background())
		a.settle(core.Unknown, CodeUncertain, "%s", statusText(st))
	}
}

// concludeRefusal believes a refusal only when the register agrees.
func (a *attempt) concludeRefusal(st ua.StatusCode) {
	s, err := a.read(context.Background())
	switch {
	case err != nil:
		a.settle(core.Unknown, CodeNoReadBack, "%s, then %v", statusText(st), err)
	case s.Registers[a.at] == a.in.Old:
		a.settle(core.Refused, CodeRefused, "%s", statusText(st))
	default:
		a.settle(core.Unknown, CodeUncertain, "%s, but it reads %s", statusText(st), s.Registers[a.at])
	}
}

// Pauses between read-backs while the old value still shows.
const (
	firstLook = 2 * time.Millisecond
	laterLook = 100 * time.Millisecond
)

// prove reads back until the register shows the new value, set after the
// pre-read, or another one, or time is up.
func (a *attempt) prove(st ua.StatusCode) {
	deadline := a.m.o.clock().Add(a.m.o.Answer)
	code := CodeNotYet
	for pause := firstLook; ; pause = min(2*pause, laterLook) {
		s, err := a.read(context.Background())
		switch {
		case err != nil:
			a.settle(core.Unknown, CodeNoReadBack, "%v", err)
			return
		case s.Registers[a.at] == a.in.New && a.fresh(s):
			a.settle(core.Applied, "", "")
			return
		case s.Registers[a.at] == a.in.New:
			code = CodeCached
		case s.Registers[a.at] == a.in.Old:
			code = CodeNotYet
		default:
			a.settle(core.Differs, CodeClipped, "%s, it reads %s", statusText(st), s.Registers[a.at])
			return
		}
		if a.m.o.clock().After(deadline) {
			a.settle(core.Unknown, code, "%s", statusText(st))
			return
		}
		a.m.o.sleep(pause)
	}
}

// coarse is the resolution below which source times are not told apart.
const coarse = 2 * time.Second

// fresh reports whether a read-back was set after the pre-read, as far as the
// server tells: its source time must not run backwards, and the same time as
// before is believed only while it is too recent to tell apart. Both times come
// from the source's own clock, so that no clocks are compared but the server's
// with its source's.
func (a *attempt) fresh(s *snapshot) bool {
	before, after := a.pre.sources[a.at], s.sources[a.at]
	switch {
	case before.IsZero() || after.IsZero() || after.After(before):
		return true
	case after.Before(before):
		return false
	}
	return a.pre.at.IsZero() || a.pre.at.Sub(after) < coarse
}
