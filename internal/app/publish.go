package app

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"hash/maphash"
	"strconv"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"offsetbridge/config"
	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/intake"
	"offsetbridge/internal/length"
	"offsetbridge/internal/web"
)

// How often state is looked at: soon after something happened, and from time to
// time because waiting and staleness send no event.
const (
	publishSoon  = 150 * time.Millisecond
	publishSweep = 5 * time.Second
	publishHead  = 10 * time.Second
	publishRetry = 250 * time.Millisecond // while the outbox is full
)

// publisher keeps the broker told of every loop's state, of what happens, and of
// the heads of the record. State and heads are retained and overwritten, so that
// nothing has to be kept while the broker is away: everything is published anew
// once it is back. Events are kept as far as the outbox has room, then dropped
// and counted.
type publisher struct {
	a    *App
	wake chan struct{}
	last map[string]uint64 // hash of what stands under each topic, of loops and streams: bounded by the configuration
	seed maphash.Seed
	loop map[string]string // by machine and register: who steers it

	mu      sync.Mutex
	dirty   map[string]bool // machines
	all     bool            // forget what was published
	applied map[string]*appliedChange
	dropped int
}

// loopState is the retained message of one loop. Sizes are changes of the part;
// a register's change is never called a correction value, which elsewhere means
// the deviation of a size, of opposite sign.
type loopState struct {
	Version   int             `json:"version"`
	Machine   string          `json:"machine"`
	Loop      string          `json:"loop"`
	Mode      core.Mode       `json:"mode"`
	State     string          `json:"state"` // steers, first-part, decide, waits, held, observes
	Say       string          `json:"say"`
	Hold      *loopHold       `json:"hold,omitempty"`
	Part      string          `json:"part,omitempty"` // last measured
	FromAim   string          `json:"from_aim,omitempty"`
	FromAimNM *int64          `json:"from_aim_nm,omitempty"`
	Due       *int64          `json:"due_in_parts,omitempty"` // next measurement; below 0 overdue
	Registers []registerState `json:"registers"`
	Proposal  *proposalState  `json:"proposal,omitempty"`
	Applied   *appliedChange  `json:"applied,omitempty"` // the newest since the program started
}

type loopHold struct {
	Cause core.Code `json:"cause"`
	Say   string    `json:"say"`
	Note  string    `json:"note,omitempty"`
	Clear core.Role `json:"clear"`
}

type registerState struct {
	Register string `json:"register"`
	Value    string `json:"value"`
	ValueNM  int64  `json:"value_nm"`
	Known    bool   `json:"known"`
	Pending  bool   `json:"write_under_way,omitempty"`
}

type proposalState struct {
	ID        string        `json:"id"`
	Digest    string        `json:"digest"`
	Status    string        `json:"status"`
	Say       string        `json:"say"`
	Need      string        `json:"need,omitempty"`
	Registers []web.Entered `json:"registers"`
	Size      string        `json:"change_of_size"`
}

// appliedChange is a register change that was read back.
type appliedChange struct {
	Register string `json:"register"`
	Value    string `json:"value"`
	ValueNM  int64  `json:"value_nm"`
	At       string `json:"at"` // RFC 3339, UTC
}

// headMessage is what journal verify --against reads.
type headMessage struct {
	Version int        `json:"version"`
	OK      bool       `json:"ok"`
	Heads   []headLine `json:"heads"`
}

type headLine struct {
	Stream string `json:"stream"`
	Seq    uint64 `json:"records"`
	Hash   string `json:"hash"`
}

// openPublisher starts to publish where the configuration says so.
func (a *App) openPublisher() (stop func()) {
	c := a.o.Config.MQTT
	if c.State == "" && c.Events == "" && c.Head == "" {
		return func() {}
	}
	p := &publisher{
		a: a, wake: make(chan struct{}, 1), last: map[string]uint64{}, seed: maphash.MakeSeed(),
		dirty: map[string]bool{}, applied: map[string]*appliedChange{}, loop: map[string]string{},
	}
	for _, l := range a.o.Config.Loops {
		for _, r := range l.Registers {
			p.loop[l.Machine+"\n"+r] = l.Name
		}
	}
	unwatch := a.watchers.add(p.released)
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Go(func() { p.run(ctx) })
	return func() { unwatch(); cancel(); done.Wait() }
}

// released takes what was committed: it is on record before anybody hears of it.
func (p *publisher) released(rel bridge.Released) {
	machine, of := strings.CutPrefix(rel.Stream, "machine/")
	for i, e := range rel.Events {
		if b, ok := e.(core.Broker); ok && b.Up {
			p.mark(func() { p.all = true }) // the broker may have lost what it kept
		}
		if of {
			p.event(machine, rel, i, e)
		}
	}
	if of {
		p.mark(func() { p.dirty[machine] = true })
	}
}

func (p *publisher) mark(f func()) {
	p.mu.Lock()
	f()
	p.mu.Unlock()
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

func (p *publisher) run(ctx context.Context) {
	sweep, head := time.NewTicker(publishSweep), time.NewTicker(publishHead)
	defer sweep.Stop()
	defer head.Stop()
	p.mark(func() { p.all = true })
	for {
		heads := false
		select {
		case <-ctx.Done():
			return
		case <-p.wake:
		case <-sweep.C:
			p.mark(p.everything)
		case <-head.C:
			heads = true
		}
		if !pause(ctx, publishSoon) {
			return
		}
		if p.a.intake.Now().Up {
			p.publish(ctx, heads)
		}
	}
}

func (p *publisher) everything() {
	for _, u := range p.a.machines {
		p.dirty[u.name] = true
	}
}

func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}

// publish tells what changed.
func (p *publisher) publish(ctx context.Context, heads bool) {
	p.mu.Lock()
	if p.all {
		clear(p.last)
		p.everything()
		p.all, heads = false, true
	}
	dirty, dropped := p.dirty, p.dropped
	p.dirty, p.dropped = map[string]bool{}, 0
	p.mu.Unlock()
	if dropped > 0 {
		p.a.log.Warn("events were not published, the broker takes none", zap.Int("events", dropped))
	}
	if p.a.o.Config.MQTT.State != "" {
		for _, u := range p.a.machines {
			if dirty[u.name] && !p.machine(ctx, u) {
				return
			}
		}
	}
	if heads && p.a.o.Config.MQTT.Head != "" {
		p.heads(ctx)
	}
}

// machine publishes the state of each loop that is another than before.
func (p *publisher) machine(ctx context.Context, u *unit) bool {
	var v core.View
	if err := u.runner.Look(ctx, func(d bridge.Decider) { v = d.(*core.State).View() }); err != nil {
		return false // stopping
	}
	for i := range v.Loops {
		s := p.stateOf(&v, &v.Loops[i])
		if !p.keep(ctx, config.Topic(p.a.o.Config.MQTT.State, u.name, s.Loop), s) {
			return false
		}
	}
	return true
}

// keep publishes a retained message unless it stands there already. While the
// outbox is full it waits, as long as the broker is there.
func (p *publisher) keep(ctx context.Context, topic string, message any) bool {
	payload, err := json.Marshal(message)
	if err != nil {
		p.a.log.Error("state is not published", zap.String("topic", topic), zap.Error(err))
		return true
	}
	h := maphash.Bytes(p.seed, payload)
	if p.last[topic] == h {
		return true
	}
	for {
		err = p.a.intake.Publish(topic, payload, true)
		if !errors.Is(err, intake.ErrFull) {
			break
		}
		if !pause(ctx, publishRetry) {
			return false
		}
		if !p.a.intake.Now().Up {
			p.mark(func() { p.all = true }) // once it is back
			return false
		}
	}
	if err != nil {
		p.a.log.Warn("state is not published", zap.String("topic", topic), zap.Error(err))
		return !errors.Is(err, intake.ErrClosed)
	}
	p.last[topic] = h
	return true
}

func (p *publisher) heads(ctx context.Context) {
	for _, h := range p.a.journal.Heads() {
		name := config.PlantTopic
		if machine, ok := strings.CutPrefix(h.Stream, "machine/"); ok {
			name = machine
		}
		m := headMessage{Version: 1, OK: true, Heads: []headLine{{h.Stream, h.Seq, hex.EncodeToString(h.Hash[:])}}}
		if !p.keep(ctx, config.Topic(p.a.o.Config.MQTT.Head, name, ""), m) {
			return
		}
	}
}

// stateOf says what there is to know of a loop.
func (p *publisher) stateOf(v *core.View, l *core.LoopView) loopState {
	s := loopState{Version: 1, Machine: v.Machine, Loop: l.Name, Mode: l.Mode, State: "steers", Say: "steers", Due: l.Due, Registers: []registerState{}}
	if l.Readings > 0 {
		nm := int64(l.FromAim)
		s.Part, s.FromAim, s.FromAimNM = strconv.FormatUint(l.LastPart, 10), l.FromAim.Signed("mm", 4), &nm
	}
	hold := l.Hold
	if v.Hold != nil {
		hold = v.Hold
	}
	for i := range v.Proposals {
		if x := &v.Proposals[i]; x.Loop == l.Name {
			c := web.CardOf(*x)
			s.Proposal = &proposalState{ID: c.ID, Digest: c.Digest, Status: c.Status, Say: c.Say, Need: c.Need, Registers: c.Registers, Size: c.Change}
		}
	}
	switch {
	case hold != nil:
		s.State, s.Say = "held", hold.Cause.Words()
		s.Hold = &loopHold{Cause: hold.Cause, Say: hold.Cause.Words(), Note: hold.Text, Clear: hold.Clear}
	case s.Proposal != nil && s.Proposal.Status == string(core.Pending):
		s.State, s.Say = "decide", s.Proposal.Say
	case l.Waiting != "":
		s.State, s.Say = "waits", l.Waiting.Words()
	case l.Mode == core.Observe:
		s.State, s.Say = "observes", "observes and writes nothing"
	case l.First:
		s.State, s.Say = "first-part", "first part: no part has proven the size yet"
	}
	p.mu.Lock()
	if at := p.applied[v.Machine+"\n"+l.Name]; at != nil {
		c := *at
		s.Applied = &c
	}
	p.mu.Unlock()
	for _, r := range v.Registers {
		if p.loop[v.Machine+"\n"+r.Name] != l.Name {
			continue
		}
		text := func(nm length.Length) string { return nm.Signed(r.Unit, r.Unit.Digits(r.Step)) }
		s.Registers = append(s.Registers, registerState{Register: r.Name, Value: text(r.Value), ValueNM: int64(r.Value), Known: r.Known, Pending: r.Pending})
		if s.Applied != nil && s.Applied.Register == r.Name {
			s.Applied.Value = text(length.Length(s.Applied.ValueNM))
		}
	}
	return s
}

// eventMessage is what happened, once. Its id never comes again for another one:
// a message that comes twice can be told.
type eventMessage struct {
	Version  int       `json:"version"`
	ID       string    `json:"id"` // stream and number in the record
	At       string    `json:"at"` // RFC 3339, UTC
	Event    string    `json:"event"`
	Machine  string    `json:"machine"`
	Loop     string    `json:"loop,omitempty"`
	Proposal string    `json:"proposal,omitempty"`
	Register string    `json:"register,omitempty"`
	OldNM    *int64    `json:"old_nm,omitempty"`
	NewNM    *int64    `json:"new_nm,omitempty"`
	Code     core.Code `json:"code,omitempty"`
	Say      string    `json:"say"`
	By       string    `json:"by,omitempty"` // what the record holds in place of a name
}

func (p *publisher) event(machine string, rel bridge.Released, i int, e core.Event) {
	at := time.UnixMilli(rel.At.Wall).UTC().Format(time.RFC3339Nano)
	m, ok := eventOf(machine, e)
	if !ok {
		return
	}
	if c, ok := e.(core.Concluded); ok && c.Result == core.Applied {
		p.mu.Lock()
		p.applied[machine+"\n"+c.Loop] = &appliedChange{Register: c.Register, ValueNM: int64(c.Read), At: at}
		p.mu.Unlock()
	}
	template := p.a.o.Config.MQTT.Events
	if template == "" {
		return
	}
	m.Version, m.At, m.Machine, m.ID = 1, at, machine, rel.Stream+"/"+strconv.FormatUint(rel.First+uint64(i), 10)
	loop := m.Loop
	if loop == "" {
		loop = "machine"
	}
	var b bytes.Buffer
	if err := json.NewEncoder(&b).Encode(m); err == nil && p.a.intake.Publish(config.Topic(template, machine, loop), bytes.TrimSpace(b.Bytes()), false) == nil {
		return
	}
	p.mark(func() { p.dropped++ })
}

// eventOf says what others may want to know, in words of ours and of the trade.
func eventOf(machine string, e core.Event) (m eventMessage, ok bool) {
	card := func(id uint64) string { return machine + "/" + strconv.FormatUint(id, 10) }
	by := func(who *core.Person) string {
		if who == nil {
			return ""
		}
		return who.Principal
	}
	switch e := e.(type) {
	case core.Proposed:
		m = eventMessage{Event: "proposed", Loop: e.Loop, Proposal: card(e.ID), Code: e.Reason, Say: "a change is proposed: " + e.Reason.Words()}
		if e.Need == "" {
			m.Say = "a change is decided, nobody has to be asked"
		}
		moved(&m, e.Moves)
	case core.Voided:
		m = eventMessage{Event: "ended", Loop: e.Loop, Proposal: card(e.Proposal), Code: e.Cause, Say: e.Cause.Words(), By: by(e.Who)}
		if e.Who != nil && e.Reason != "" {
			m.Event, m.Say = "rejected", e.Reason
		}
	case core.Approved:
		m = eventMessage{Event: "approved", Loop: e.Loop, Proposal: card(e.Proposal), Say: "approved", By: e.Who.Principal}
		if e.Another {
			m.Event, m.Say = "agreed", "the first of two people agrees, another has to as well"
		}
	case core.Concluded:
		nm := int64(e.Read)
		m = eventMessage{Event: "not-applied", Loop: e.Loop, Register: e.Register, Code: e.Code, Say: e.Code.Words()}
		switch e.Result {
		case core.Applied:
			m.Event, m.NewNM, m.Say = "applied", &nm, "the register was read back as it was written"
		case core.Unknown:
			m.Event, m.Say = "unknown", "no answer: the register is read after the quarantine, nothing is sent again"
		}
	case core.Held:
		m = eventMessage{Event: "held", Loop: e.Loop, Code: e.Cause, Say: e.Cause.Words(), By: by(e.Who)}
	case core.Resumed:
		m = eventMessage{Event: "resumed", Loop: e.Loop, Code: e.Cause, Say: e.Note, By: e.Who.Principal}
	case core.Moved:
		old, now := int64(e.Old), int64(e.New)
		m = eventMessage{Event: "moved-elsewhere", Register: e.Register, OldNM: &old, NewNM: &now, Say: "somebody else changed the register, the loop goes on from there"}
	default:
		return m, false
	}
	return m, true
}

// moved names a single register's change; of several the state shows all.
func moved(m *eventMessage, moves []core.Move) {
	if len(moves) != 1 {
		return
	}
	old, now := int64(moves[0].Old), int64(moves[0].New)
	m.Register, m.OldNM, m.NewNM = moves[0].Register, &old, &now
}
