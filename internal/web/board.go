package web

import (
	"context"
	"encoding/json"
	"maps"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// Bounds of what the page's board remembers and shows.
const (
	maxClosed = 60              // cards that ended lately
	closedFor = 2 * time.Minute // how long they are shown
	maxNeeds  = 100             // holds that are listed; all are counted
	maxFollow = 4096            // writes whose card is known
	quickest  = 50 * time.Millisecond
)

// Board is what every open page shows: what waits for a person, what became of
// it, and what is on hold.
type Board struct {
	Proposals []BoardCard  `json:"proposals"`
	Closed    []Closed     `json:"closed,omitempty"` // newest last
	HoldAll   *Need        `json:"hold_all,omitempty"`
	Needs     []Need       `json:"needs,omitempty"`
	Holds     int          `json:"holds"`
	Machines  int          `json:"machines"`
	Away      int          `json:"machines_away"`
	Tray      int          `json:"unassigned_readings"`
	Broker    BrokerStatus `json:"broker"`
	Verified  bool         `json:"journal_verified"`
}

// BoardCard is a card with what the page draws.
type BoardCard struct {
	Card
	Bar       Bar    `json:"bar"`
	First     bool   `json:"first_part,omitempty"`
	Effective string `json:"effective"`
	Gauge     string `json:"gauge,omitempty"`
	Approval  string `json:"approved_by,omitempty"`
}

// Bar are the places on a size's line.
type Bar struct {
	Low       length.Length `json:"low_nm"`
	High      length.Length `json:"high_nm"`
	Aim       length.Length `json:"aim_nm"`
	Measured  length.Length `json:"measured_nm"`
	Predicted length.Length `json:"predicted_nm"`
	Spread    length.Length `json:"spread_nm"` // two standard deviations
	LowText   string        `json:"low"`
	HighText  string        `json:"high"`
}

// Closed is a card that ended.
type Closed struct {
	ID      string    `json:"id"`
	Machine string    `json:"machine"`
	Loop    string    `json:"loop"`
	How     string    `json:"how"` // proven, rejected, ended, failed
	Say     string    `json:"say"`
	Who     string    `json:"who,omitempty"`
	At      time.Time `json:"at"`
}

// Need is a hold: its cause, what to do, and who may clear it.
type Need struct {
	Machine string    `json:"machine,omitempty"`
	Loop    string    `json:"loop,omitempty"`
	Cause   core.Code `json:"cause"`
	Say     string    `json:"say"`
	Note    string    `json:"note,omitempty"`
	Clear   core.Role `json:"clear"`
	Who     string    `json:"who,omitempty"`
}

// board keeps what all open pages show, worked out once for all of them.
type board struct {
	plant *glance
	sizes *sizes
	log   *zap.Logger
	dirty chan struct{}

	mu       sync.Mutex
	views    map[reads]*boardView // one for each way of reading that somebody watches
	changed  chan struct{}
	closed   []ended
	writes   map[string]string // card by machine and intent
	approved map[string]string
	shown    map[string]core.Shown // registers as their control shows them, by machine and name
}

// boardView is the board as one way of reading shows it.
type boardView struct {
	format  Format
	body    []byte
	seen    []byte // body without the seconds that run
	watched int
}

// ended is a card that ended, before it is worded.
type ended struct {
	Closed
	cause core.Code     // why
	said  string        // by a person
	back  string        // register that reads back
	read  length.Length // what it reads
	shown core.Shown
}

// word writes what became of a card.
func (f Format) word(e ended) Closed {
	c := e.Closed
	switch {
	case e.back != "" && e.shown.Unit == "":
		c.Say = f.T("reads_back", "register", e.back, "value", e.read.Signed(length.MM, 4))
	case e.back != "":
		c.Say = f.T("reads_back", "register", e.back, "value", f.register(e.read, e.shown))
	case e.said != "":
		c.Say = e.said
	default:
		c.Say = f.code(e.cause)
	}
	return c
}

func newBoard(p Plant, log *zap.Logger) *board {
	return &board{
		plant: &glance{Plant: p}, sizes: newSizes(time.Now()), log: log, dirty: make(chan struct{}, 1), changed: make(chan struct{}), views: map[reads]*boardView{}, writes: map[string]string{}, approved: map[string]string{},
	}
}

// run keeps the board until the context ends. Several changes at once make one
// new board; a plant that takes long to look at is looked at less often.
func (b *board) run(ctx context.Context) {
	stop := b.plant.Watch(func(rel bridge.Released) {
		b.sizes.take(rel)
		b.released(rel)
	})
	defer stop()
	tick := time.NewTicker(time.Second) // what expires, goes stale or is away sends no event
	defer tick.Stop()
	for {
		began := time.Now()
		if b.wanted() {
			if err := b.look(ctx); err != nil && ctx.Err() == nil {
				b.log.Warn("the page cannot look at the plant", zap.Error(err))
			}
		}
		rest := time.NewTimer(max(quickest, 4*time.Since(began)))
		select {
		case <-ctx.Done():
			rest.Stop()
			return
		case <-rest.C:
		}
		select {
		case <-ctx.Done():
			return
		case <-b.dirty:
		case <-tick.C:
		}
	}
}

func (b *board) wanted() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.views) > 0
}

// stir asks for a new look.
func (b *board) stir() {
	select {
	case b.dirty <- struct{}{}:
	default:
	}
}

// follow counts a page in that is read one way; the function returned counts it out.
func (b *board) follow(f Format) (leave func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	key := f.reads()
	if b.views[key] == nil {
		b.views[key] = &boardView{format: f} // not kept while nobody looks
	}
	b.views[key].watched++
	b.stir()
	return func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		if b.views[key].watched--; b.views[key].watched == 0 {
			delete(b.views, key)
		}
	}
}

// latest returns the board, nil before the first, and what is closed when
// another one is there.
func (b *board) latest(f Format) ([]byte, <-chan struct{}) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if v := b.views[f.reads()]; v != nil {
		return v.body, b.changed
	}
	return nil, b.changed
}

func (b *board) look(ctx context.Context) error {
	st, err := b.plant.Now(ctx)
	if err != nil {
		return err
	}
	b.mu.Lock()
	formats := make([]Format, 0, len(b.views))
	for _, v := range b.views {
		formats = append(formats, v.format)
	}
	b.mu.Unlock()
	news := false
	for _, f := range formats {
		board := b.of(st, f)
		body, err := json.Marshal(board)
		if err != nil {
			return err
		}
		for i := range board.Proposals {
			board.Proposals[i].Expires = 0
		}
		seen, err := json.Marshal(board)
		if err != nil {
			return err
		}
		b.mu.Lock()
		if v := b.views[f.reads()]; v != nil {
			news = news || v.body == nil || string(seen) != string(v.seen)
			v.body, v.seen = body, seen // also for who joins now
		}
		b.mu.Unlock()
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if news {
		close(b.changed)
		b.changed = make(chan struct{})
	}
	return nil
}

func (b *board) of(st Status, f Format) Board {
	out := Board{Proposals: []BoardCard{}, Machines: len(st.Machines), Tray: st.Tray, Broker: st.Broker, Verified: st.Journal.Verified}
	if h := st.HoldAll; h != nil {
		n := f.need("", *h)
		out.HoldAll = &n
	}
	need := func(machine string, h *core.Held) {
		if h == nil || st.HoldAll != nil && h.Cause == holdAll {
			return // said once for all
		}
		if out.Holds++; len(out.Needs) < maxNeeds {
			out.Needs = append(out.Needs, f.need(machine, *h))
		}
	}
	shown := map[string]core.Shown{}
	for _, m := range st.Machines {
		for _, r := range m.Registers {
			shown[m.Machine+"/"+r.Name] = core.Shown{Unit: r.Unit, Step: r.Step}
		}
		if !m.Up {
			out.Away++
		}
		need(m.Machine, m.Hold)
		for i := range m.Loops {
			need(m.Machine, m.Loops[i].Hold)
		}
		for _, p := range m.Proposals {
			out.Proposals = append(out.Proposals, f.boardCard(p))
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.shown = shown
	b.closed = slices.DeleteFunc(b.closed, func(c ended) bool { return time.Since(c.At) > closedFor })
	for _, c := range b.closed {
		out.Closed = append(out.Closed, f.word(c))
	}
	return out
}

func (f Format) boardCard(p core.ProposalView) BoardCard {
	c := BoardCard{
		Card: f.card(p), First: p.First, Effective: p.Effective, Gauge: p.Gauge,
		Bar: Bar{
			Low: p.Limits.Low, High: p.Limits.High, Aim: p.Aim, Measured: p.Measured, Predicted: p.Predicted, Spread: 2 * p.Sigma,
			LowText: f.size(p.Limits.Low), HighText: f.size(p.Limits.High),
		},
	}
	if p.Approval != nil {
		c.Approval = p.Approval.Principal
	}
	return c
}

func (f Format) need(machine string, h core.Held) Need {
	n := Need{Machine: machine, Loop: h.Loop, Cause: h.Cause, Say: f.code(h.Cause), Note: h.Text, Clear: h.Clear}
	if h.Who != nil {
		n.Who = h.Who.Principal
	}
	return n
}

// released follows what became of each card.
func (b *board) released(rel bridge.Released) {
	machine := machineOf(rel)
	if machine != "" {
		for _, e := range rel.Events {
			b.take(machine, e)
		}
	}
	b.plant.dirty.Store(true)
	b.stir()
}

func (b *board) take(machine string, e core.Event) {
	b.mu.Lock()
	defer b.mu.Unlock()
	card := func(id uint64) string { return cardName(machine, id) }
	switch e := e.(type) {
	case core.Approved:
		bound(b.approved)
		b.approved[card(e.Proposal)] = e.Who.Principal // of two the second
	case core.Voided:
		c := ended{Closed: Closed{ID: card(e.Proposal), Loop: e.Loop, How: "ended"}, cause: e.Cause}
		switch {
		case e.Who != nil && e.Reason != "":
			c.How, c.Who, c.said = "rejected", e.Who.Principal, e.Reason
		case e.Who != nil:
			c.Who = e.Who.Principal
		}
		delete(b.approved, c.ID)
		b.close(machine, c)
	case core.Intended:
		bound(b.writes)
		b.writes[card(e.Intent.ID)] = card(e.Intent.Proposal)
	case core.Concluded:
		id, ok := b.writes[card(e.Outcome.Intent)]
		if !ok || e.Result == core.Unknown {
			return
		}
		delete(b.writes, card(e.Outcome.Intent))
		if e.More || e.Again {
			return
		}
		c := ended{Closed: Closed{ID: id, Loop: e.Loop, How: "failed", Who: b.approved[id]}, cause: e.Code}
		if e.Result == core.Applied {
			c.How, c.back, c.read, c.shown = "proven", e.Register, e.Read, b.shown[machine+"/"+e.Register]
		}
		delete(b.approved, id)
		b.close(machine, c)
	}
}

// holdAll is the cause of a hold that is part of a hold of everything.
const holdAll core.Code = "hold-all"

// bound forgets something when a table has grown too large: a line of text is
// missing then, nothing else.
func bound[V any](m map[string]V) {
	if len(m) >= maxFollow {
		for k := range maps.Keys(m) {
			delete(m, k)
			break
		}
	}
}

func (b *board) close(machine string, c ended) {
	c.Machine, c.At = machine, time.Now().UTC()
	b.closed = append(b.closed, c)
	if n := len(b.closed) - maxClosed; n > 0 {
		b.closed = b.closed[n:]
	}
}
