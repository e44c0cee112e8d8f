package machine

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// Handover maps a mailbox: nodes through which the control's own program takes a
// change over, so that nobody but the control writes its registers. It closes the
// gap between the last look and the effect, which a write over OPC UA cannot.
//
// What the control's program has to do, at a place of its own choosing where a
// register may change (while it stands, or at the start of a program):
//
//	if Request is neither 0 nor Acknowledged:
//	  take Request, Register, Old, New and Check
//	  refuse unless Request + Register + Old + New is Check (half a step either way),
//	    the register holds Old, and New is within the control's own limits
//	  otherwise put New into the register
//	  Result := 1 where it was put there, else a reason; then Acknowledged := the request taken
//
// From taking a request up to acknowledging it may pass less than the quarantine.
// We write Register, Old, New and Check first and Request last. Check makes a field
// that arrives late, from a write long given up, spoil the request instead of
// changing it. Request 0 withdraws.
type Handover struct {
	Request, Register, Old, New, Check Node // written by us
	Acknowledged, Result               Node // written by the control's program
}

// Why a control's program refuses; any other number is a reason of its own.
const (
	handedOver   = 1
	reasonOld    = 2
	reasonLimits = 3
	reasonNumber = 4
	reasonCheck  = 5
)

var reasons = map[int64]string{
	reasonOld:    "the register does not hold the old value",
	reasonLimits: "the new value is outside the control's limits",
	reasonNumber: "the control knows no such register",
	reasonCheck:  "the fields do not belong together",
}

// lastRequest is the largest request number; the next one is 1 again.
const lastRequest = 9999

// mostNumber is the largest number of a register in the mailbox.
const mostNumber = 9999

func (h *Handover) nodes() []struct {
	role string
	node Node
} {
	return []struct {
		role string
		node Node
	}{
		{boxRequest, h.Request}, {boxRegister, h.Register}, {boxOld, h.Old}, {boxNew, h.New}, {boxCheck, h.Check},
		{boxAcknowledged, h.Acknowledged}, {boxResult, h.Result},
	}
}

// Roles of the mailbox's nodes in a Finding.
const (
	boxRequest      = "hand-over request"
	boxRegister     = "hand-over register"
	boxOld          = "hand-over old"
	boxNew          = "hand-over new"
	boxCheck        = "hand-over check"
	boxAcknowledged = "hand-over acknowledged"
	boxResult       = "hand-over result"
)

func isBox(role string) bool { return strings.HasPrefix(role, "hand-over ") }

// boxWritten reports whether we write that node of the mailbox.
func boxWritten(role string) bool {
	return isBox(role) && role != boxAcknowledged && role != boxResult
}

// mailbox is the writer that hands a change over: nodes and types of one session.
// It is used by one write at a time.
type mailbox struct {
	o     *Options
	ids   map[string]*ua.NodeID
	types map[string]ua.TypeID
	sums  []codec // of Check, by register's place
	olds  []codec
	news  []codec

	id     int64 // of the request that was filled in
	before int64 // acknowledged then
}

var (
	errUnseen   = errors.New("what became of the request cannot be read")
	errNotTaken = errors.New("the control's program did not take the request up in time, it was withdrawn")
	errStopped  = errors.New("writing was stopped while the request waited, it was withdrawn")
	errOther    = errors.New("the control's program acknowledged another request")
	errChanged  = errors.New("the mailbox does not hold our request")
)

// declined is a refusal by the control's program.
type declined struct{ reason int64 }

func (d declined) Error() string {
	why := reasons[d.reason]
	if why == "" {
		why = "a reason of its own"
	}
	return fmt.Sprintf("the control's program refused it with result %d: %s", d.reason, why)
}

func (b *mailbox) values(nodes ...string) []*ua.ReadValueID {
	out := make([]*ua.ReadValueID, len(nodes))
	for i, n := range nodes {
		out[i] = valueOf(b.ids[n])
	}
	return out
}

// state reads the newest request, the newest acknowledged one and its result, at
// one moment.
func (b *mailbox) state(ctx context.Context, s session) (request, acknowledged, result int64, err error) {
	a, err := s.read(ctx, b.values(boxRequest, boxAcknowledged, boxResult))
	if err != nil {
		return 0, 0, 0, err
	}
	for i, into := range []*int64{&request, &acknowledged, &result} {
		if *into, err = countAt(a, i); err != nil {
			return 0, 0, 0, wait(CodeMailbox, "%v", err)
		}
	}
	return request, acknowledged, result, nil
}

// waits reports whether a request waits for the control's program.
func waits(request, acknowledged int64) bool { return request != 0 && request != acknowledged }

// fill writes everything but the request's number, which alone has an effect, and
// reads it back.
func (b *mailbox) fill(ctx context.Context, s session, p parcel) error {
	request, acknowledged, _, err := b.state(ctx, s)
	switch {
	case err != nil:
		return err
	case waits(request, acknowledged):
		return wait(CodeMailbox, "request %d is open", request)
	}
	b.before = acknowledged
	b.id = nextRequest(p.in.ID, request, acknowledged)
	fields, err := b.fields(p)
	if err != nil {
		return err
	}
	for _, f := range fields {
		st, err := s.write(ctx, valueTo(b.ids[f.role], f.value), b.o.Request)
		switch {
		case err != nil:
			return fmt.Errorf("%s: %w", f.role, err)
		case st != ua.StatusOK:
			return wait(CodeMailbox, "%s: %s", f.role, statusText(st))
		}
	}
	return b.filled(ctx, s, fields, request, acknowledged)
}

type field struct {
	role  string
	value *ua.Variant
}

// fields are what a request says, in the types of the nodes.
func (b *mailbox) fields(p parcel) ([]field, error) {
	r := b.o.Registers[p.at]
	number, err := encodeCount(b.types[boxRegister], r.Number)
	if err != nil {
		return nil, err
	}
	old, errOld := b.olds[p.at].encode(p.in.Old)
	new_, errNew := b.news[p.at].encode(p.in.New)
	sum, errSum := b.sums[p.at].encode(length.Length(b.id+r.Number)*r.Unit.Size() + p.in.Old + p.in.New)
	return []field{{boxRegister, number}, {boxOld, old}, {boxNew, new_}, {boxCheck, sum}}, errors.Join(errOld, errNew, errSum)
}

// filled proves that the mailbox holds what was written and nobody else uses it.
func (b *mailbox) filled(ctx context.Context, s session, fields []field, request, acknowledged int64) error {
	roles := []string{boxRequest, boxAcknowledged}
	for _, f := range fields {
		roles = append(roles, f.role)
	}
	a, err := s.read(ctx, b.values(roles...))
	if err != nil {
		return err
	}
	for i, was := range []int64{request, acknowledged} {
		if n, err := countAt(a, i); err != nil || n != was {
			return wait(CodeMailbox, "somebody else writes into it: %s was %d", roles[i], was)
		}
	}
	for i, f := range fields {
		v, err := value(a, i+2)
		if err != nil {
			return wait(CodeMailbox, "%s: %v", f.role, err)
		}
		if v.Type() != f.value.Type() || v.Value() != f.value.Value() {
			return wait(CodeMailbox, "somebody else writes into it: %s reads %v, written %v", f.role, v.Value(), f.value.Value())
		}
	}
	return nil
}

// put writes the request's number, once, and waits for the control's program. What
// it did not take up is withdrawn.
func (b *mailbox) put(ctx context.Context, s session, p parcel, wait time.Duration) (ua.StatusCode, error) {
	number, err := encodeCount(b.types[boxRequest], b.id)
	if err != nil {
		return 0, err
	}
	st, err := s.write(ctx, valueTo(b.ids[boxRequest], number), wait)
	if err != nil || st != ua.StatusOK {
		return st, err
	}
	deadline := b.o.clock().Add(wait)
	for pause := firstLook; ; pause = min(2*pause, laterLook) {
		done, err := b.answered(ctx, s)
		switch {
		case done, errors.Is(err, errUnseen):
			return ua.StatusOK, err
		case err != nil:
		case p.stop():
			err = errStopped
		case b.o.clock().After(deadline):
			err = errNotTaken
		}
		if err != nil {
			return b.withdraw(ctx, s, err)
		}
		b.o.sleep(pause)
	}
}

// answered reports whether the control's program has dealt with our request.
func (b *mailbox) answered(ctx context.Context, s session) (bool, error) {
	request, acknowledged, result, err := b.state(ctx, s)
	switch {
	case err != nil: // of reading: whatever it carries says nothing of the request
		return false, fmt.Errorf("%w: %v", errUnseen, err)
	case acknowledged == b.id && result == handedOver:
		return true, nil
	case acknowledged == b.id:
		return true, declined{result}
	case acknowledged != b.before:
		return false, fmt.Errorf("%w: %d, asked was %d", errOther, acknowledged, b.id)
	case request != b.id:
		return false, fmt.Errorf("%w: it shows %d instead of %d", errChanged, request, b.id)
	}
	return false, nil
}

// withdraw takes a request back and says why, unless it was taken up just before.
// Whether the control's program is at it is not known: the outcome stays unknown.
func (b *mailbox) withdraw(ctx context.Context, s session, why error) (ua.StatusCode, error) {
	if err := b.empty(ctx, s); err != nil {
		return 0, fmt.Errorf("%w, or not: %v", why, err)
	}
	if done, err := b.answered(ctx, s); done {
		return ua.StatusOK, err
	}
	return 0, why
}

func (b *mailbox) empty(ctx context.Context, s session) error {
	zero, err := encodeCount(b.types[boxRequest], 0)
	if err != nil {
		return err
	}
	st, err := s.write(ctx, valueTo(b.ids[boxRequest], zero), b.o.Request)
	if err == nil && st != ua.StatusOK {
		err = errors.New(statusText(st))
	}
	return err
}

// nextRequest gives an intent its number in the mailbox: never one that it shows.
func nextRequest(intent uint64, shown ...int64) int64 {
	n := int64((intent-1)%lastRequest) + 1
	for i := 0; i < len(shown); i++ {
		if n == shown[i] {
			n, i = n%lastRequest+1, -1
		}
	}
	return n
}

// clearMailbox withdraws what an earlier session left open before this one counts as
// up. From then on the control's program may be at it for the quarantine: until that
// has passed nothing is read that could be taken for the end of it.
func (m *Machine) clearMailbox(ctx context.Context, s session, l *layout) *fault {
	b := l.box
	if b == nil {
		return nil
	}
	request, acknowledged, _, err := b.state(ctx, s)
	switch {
	case err != nil:
		return faultOf(err)
	case waits(request, acknowledged):
		m.shut = m.o.clock().Add(m.o.Quarantine)
		if err := b.empty(ctx, s); err != nil {
			return wait(CodeMailbox, "request %d is open and cannot be withdrawn: %v", request, err)
		}
		return wait(CodeMailbox, "request %d was left open and is withdrawn, the control may be at it for another %s", request, m.o.Quarantine)
	case m.o.clock().Before(m.shut):
		return wait(CodeMailbox, "a request was withdrawn, the control may be at it for another %s", m.shut.Sub(m.o.clock()).Round(time.Second))
	}
	return nil
}

// orphan reports a request that waits although none of our writes is under way: it
// arrived late, or is somebody else's.
func (s *snapshot) orphan() error {
	if waits(s.request, s.acknowledged) {
		return wait(CodeMailbox, "request %d is open and no write of ours is under way", s.request)
	}
	return nil
}

// compareMailbox checks the mailbox's nodes and makes it the way of writing.
func (v *survey) compareMailbox() {
	if v.o.Handover == nil {
		return
	}
	b := &mailbox{o: v.o, ids: map[string]*ua.NodeID{}, types: map[string]ua.TypeID{}}
	writable := true
	var old, new_, sum *ua.Variant
	for _, f := range v.findings {
		if !isBox(f.Role) || f.id == nil || !f.Found {
			continue
		}
		x, ok := v.usable(f)
		if !ok {
			continue
		}
		b.ids[f.Role], b.types[f.Role] = f.id, x.Type()
		switch f.Role {
		case boxOld:
			old = x
		case boxNew:
			new_ = x
		case boxCheck:
			sum = x
		default:
			if _, err := count(x); err != nil {
				v.fault(differs(CodeType, "%s: %v", f.label(), err))
				continue
			}
		}
		writable = writable && (!boxWritten(f.Role) || f.mayWrite())
	}
	if old == nil || new_ == nil || sum == nil || len(b.ids) != len(v.o.Handover.nodes()) || len(v.layout.registers) != len(v.o.Registers) {
		return // reported
	}
	for i, r := range v.o.Registers {
		far := max(r.Band.Low.Abs(), r.Band.High.Abs())
		total := r
		total.Band.High = length.Length(lastRequest+r.Number)*r.Unit.Size() + 2*far
		b.olds = append(b.olds, v.boxCodec(boxOld, old, r))
		b.news = append(b.news, v.boxCodec(boxNew, new_, r))
		b.sums = append(b.sums, v.boxCodec(boxCheck, sum, total))
		v.layout.writable[i] = writable
	}
	v.layout.box = b
	v.layout.request, v.layout.acknowledged = v.layout.add(b.ids[boxRequest]), v.layout.add(b.ids[boxAcknowledged])
}

// boxCodec is how a register's value stands in a field of the mailbox, which may be
// text whatever the register is.
func (v *survey) boxCodec(role string, x *ua.Variant, r Register) codec {
	r.Text = x.Type() == ua.TypeIDString
	c, err := newCodec(x, r)
	if err != nil {
		v.fault(differs(CodeType, "%s for register %q: %v", role, clip(r.Name), err))
	}
	return c
}

// count is a whole number in any type that a control may keep one in.
func count(v *ua.Variant) (int64, error) {
	if n, ok := integer(v); ok && n >= 0 {
		return n, nil
	}
	if v != nil && v.Type() == ua.TypeIDString && !v.Has(ua.VariantArrayValues) {
		if n, err := strconv.ParseInt(strings.TrimSpace(v.Value().(string)), 10, 64); err == nil && n >= 0 {
			return n, nil
		}
	}
	return 0, fmt.Errorf("it is %s, not a whole number from 0 up", variantName(v))
}

func countAt(a answer, at int) (int64, error) {
	v, err := value(a, at)
	if err != nil {
		return 0, err
	}
	return count(v)
}

func encodeCount(t ua.TypeID, n int64) (*ua.Variant, error) {
	var x any
	ok := true
	switch t {
	case ua.TypeIDDouble:
		x = float64(n)
	case ua.TypeIDFloat:
		x, ok = float32(n), n <= 1<<24
	case ua.TypeIDString:
		x = strconv.FormatInt(n, 10)
	default:
		x, ok = fit(t, n)
	}
	if !ok {
		return nil, errInexact
	}
	return ua.NewVariant(x)
}

// concludeDeclined takes a refusal by the control's program, which names our request.
func (a *attempt) concludeDeclined(d declined) {
	s, err := a.read(context.Background())
	switch {
	case err != nil:
		a.settle(core.Unknown, CodeNoReadBack, "%v, then %v", d, err)
	case s.Registers[a.at] == a.in.New:
		a.settle(core.Unknown, CodeUncertain, "%v, but it reads %s", d, s.Registers[a.at])
	default:
		a.settle(core.Refused, CodeRefused, "%v", d)
	}
}
