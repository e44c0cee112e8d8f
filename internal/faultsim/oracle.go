package faultsim

import (
	"slices"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
)

// oracle stands at the machines. It knows what is true, what was configured, what
// people did and which records are durable; it shares no rule with the core. Its
// checks carry the numbers of the invariants.
type oracle struct {
	w       *world
	books   map[string]*book // by stream
	regs    map[string]*account
	grants  []*grant
	truth   map[string]map[uint64]*measurement // by gauge and number
	current map[*iron]core.Intent

	stopped  bool            // a hold-all was asked for
	asked    map[string]int  // holds that somebody asked for and that are not decided
	broken   bool            // the journal failed
	verified map[string]bool // this life's journal was read back undamaged
	damaged  bool
	uptime   int64 // of the lives before this one
	owed     []*debt
}

// book is what the durable records of one stream say.
type book struct {
	stream    string
	synced    uint64 // last record known to be on the disk
	read      uint64 // last record taken here
	proposals map[uint64]*proposal
	intents   map[uint64]*intent
	holds     map[string][]core.Code    // by scope
	heldAt    int64                     // operation of the last Held
	used      map[string]map[uint64]use // readings used, by gauge and number
	settings  map[string]int            // of each gauge
	fresh     map[string]int            // by loop: readings that counted since its last automatic intent
	seen      *core.Seen
	acked     uint64 // last record that an acknowledgement rests on
	chained   uint64 // last record whose place in the chain was verified
	looked    *conn  // whose sample was the newest
	sampled   int64  // true time at which the newest sample was decided on
}

type proposal struct {
	core.Proposed
	at       int64 // uptime
	approved *grant
	odd      bool // one of its readings was not tied to its part by a number
}

type intent struct {
	core.Intended
	seq      uint64
	req      *request
	requests int
	closed   bool
	count    uint64 // of parts, as far as the daemon knew
}

// grant is a yes that somebody gave to a card they saw.
type grant struct {
	machine string
	card    core.Proposal
	digest  string
	role    core.Role
	used    map[string]bool // registers it has moved
}

// account is one register of one machine, whatever it is called.
type account struct {
	spent    length.Length // unapproved steps asked of the machine since the tool was changed
	own      length.Length // net size cut away since a person set it
	chased   length.Length // change of the register at its last move, if it was made by itself
	chasedAt uint64        // the part counter then, as far as the daemon knew
	loose    bool          // somebody set it while a request was open: nobody else may know
	auto     int           // unapproved requests ever
	unproven int           // of them, told as made while the direction was unproven
	count    uint64        // the machine's counter at the last of them
	counted  bool
	when     int64    // true time of it
	life     *process // that asked for it
	gen      int64
	last     *request
}

// request is one write that reached a machine's server.
type request struct {
	m        *iron
	rec      *intent
	reg      int
	value    length.Length
	at       int64  // operation when it was sent
	readOp   int64  // operation of its pre-read
	count    uint64 // the counter that the pre-read showed
	effects  int
	sawNew   bool
	approved bool
	told     bool // its read-back has shown it
	foreign  bool // somebody else changed the register after it was sent
}

// measurement is what a gauge really measured.
type measurement struct {
	m     *iron
	p     *part
	early bool // taken before the session's first sample: what happened out of sight shows with that one
}

func newOracle(w *world) *oracle {
	o := &oracle{
		w: w, books: map[string]*book{}, regs: map[string]*account{}, truth: map[string]map[uint64]*measurement{},
		current: map[*iron]core.Intent{}, asked: map[string]int{}, verified: map[string]bool{},
	}
	for _, s := range streams {
		o.books[s] = &book{
			stream: s, proposals: map[uint64]*proposal{}, intents: map[uint64]*intent{}, holds: map[string][]core.Code{},
			used: map[string]map[uint64]use{}, settings: map[string]int{}, fresh: map[string]int{},
		}
	}
	return o
}

func (o *oracle) account(m *iron, reg int) *account {
	key := m.serial + "/" + m.regs[reg].node
	if o.regs[key] == nil {
		o.regs[key] = &account{}
	}
	return o.regs[key]
}

// started begins a life of the daemon.
func (o *oracle) started(p *process) {
	o.broken = false
	clear(o.asked)
	clear(o.current)
	o.verified = map[string]bool{}
	o.stopped = len(o.books["plant"].holds[""]) > 0
	if o.stopped != p.stopped {
		o.w.violate("I11", "after the start the plant's gate is %v, the records say %v", p.stopped, o.stopped)
	}
}

// up is how long the daemon has been running in all its lives.
func (o *oracle) up() int64 {
	if o.w.p == nil {
		return o.uptime
	}
	return o.uptime + o.w.now - o.w.p.started
}

// measured notes what a reading is really of.
func (o *oracle) measured(gauge string, n uint64, m *iron, p *part) {
	if o.truth[gauge] == nil {
		o.truth[gauge] = map[uint64]*measurement{}
	}
	o.truth[gauge][n] = &measurement{m: m, p: p}
	delete(o.truth[gauge], n-500)
}

// offered sees a reading as the daemon takes it.
func (o *oracle) offered(l *line, r core.Reading) {
	if t := o.truth[r.Gauge][r.Sequence]; t != nil && l.iron != nil && o.books[l.stream].looked != l.iron.conn {
		t.early = true
	}
}

func (o *oracle) synced(stream string, records []journal.Record) {
	b := o.books[stream]
	size := 0
	for i := range records {
		size += len(records[i].Body)
	}
	if b.synced = records[len(records)-1].Seq; size > 4<<20 {
		o.w.violate("I16", "one commit of %s has %d bytes", stream, size)
	}
}

func (o *oracle) journalFailed() {
	o.broken = true
	o.w.n.add("guard/journal failed")
}

// decided sees a commit as it is handed to the journal.
func (o *oracle) decided(l *line) {
	for _, r := range l.commit.Records {
		if r.Kind != (core.Intended{}).Kind() {
			continue
		}
		e, err := core.Decode(r.Kind, r.Body)
		in, ok := e.(core.Intended)
		age := o.w.now - o.books[l.stream].sampled
		if err != nil || !ok || age > fresh && o.w.now-l.p.started <= in.SendBy { // what is too late is not sent
			o.w.violate("I11", "an intent of %s was decided %d ms after the last sample", l.stream, age)
		}
	}
}

// released sees what the bridge lets out.
func (o *oracle) released(l *line, r bridge.Released) {
	b := o.books[l.stream]
	for i, e := range r.Events {
		seq := r.First + uint64(i)
		if seq > b.synced {
			o.w.violate("I4", "record %d of %s was let out before it was on the disk (%d is)", seq, l.stream, b.synced)
		}
		if seq != b.read+1 {
			o.w.violate("I14", "record %d of %s was let out after %d", seq, l.stream, b.read)
		}
		b.read = seq
		o.take(b, l.iron, e)
	}
}

// crashed takes what survived: everything that was acknowledged, and perhaps more.
func (o *oracle) crashed(old *process) {
	o.uptime += o.w.now - old.started
	for _, r := range o.w.broker.taken {
		b := o.books[r.stream]
		b.acked = max(b.acked, r.seq)
	}
	o.w.broker.taken = nil
	for _, l := range append([]*line{old.plant}, old.lines...) {
		b := o.books[l.stream]
		head := o.w.disk.Head(l.stream).Seq
		if head < b.synced || head < b.read || head < b.acked {
			o.w.violate("I14", "of %s %d records survived, %d were durable and %d acknowledged", l.stream, head, b.synced, b.acked)
		}
		err := o.w.disk.Read(l.stream, b.read+1, func(r journal.Record) error {
			e, err := core.Decode(r.Kind, r.Body)
			if err == nil {
				b.read = r.Seq
				o.take(b, l.iron, e)
			}
			return err
		})
		if err != nil {
			o.w.violate("I14", "%s does not read back: %v", l.stream, err)
		}
		b.synced = head
	}
	if err := o.chain(); err != nil && !o.damaged {
		o.w.violate("I14", "the chain is broken after a crash: %v", err)
	}
	o.owed = nil
}

// chain verifies what was made durable since it was last verified; the whole journal
// is verified at the end of a world.
func (o *oracle) chain() error {
	for _, stream := range streams {
		b := o.books[stream]
		if err := o.w.disk.Verify(o.w.ctx(), stream, b.chained+1); err != nil {
			return err
		}
		b.chained = b.synced
	}
	return nil
}

// folded compares the running state with the fold of the journal.
func (o *oracle) folded(l *line) {
	if !l.b.Settled() {
		return
	}
	fold, err := bridge.Open(l.p.store, l.stream, "no snapshot", func() bridge.Decider { return &core.State{} })
	if err != nil {
		o.w.violate("I14", "%s does not fold: %v", l.stream, err)
		return
	}
	o.w.n.add("work/folds compared")
	live, again := bytes(l.b.State()), bytes(fold.State())
	if !slices.Equal(live, again) {
		at := 0
		for at < min(len(live), len(again)) && live[at] == again[at] {
			at++
		}
		near := func(b []byte) []byte { return b[max(0, min(at, len(b))-120):min(at+80, len(b))] }
		o.w.violate("I14", "the fold of %s is not the running state: %s, folded %s", l.stream, near(live), near(again))
	}
	if len(live) > 2<<20 {
		o.w.violate("I16", "the state of %s has %d bytes", l.stream, len(live))
	}
}

// connected checks that a session is only ever with the commissioned machine.
func (o *oracle) connected(l *line, link core.Link) {
	m := l.iron
	if link.Up {
		o.w.n.add("work/sessions")
		if m.stranger || m.inches {
			o.w.violate("I9", "a session with %s is up: stranger %v, inches %v", m.name, m.stranger, m.inches)
		}
		return
	}
	o.w.n.add("refusal/link " + string(link.Cause))
}

func (o *oracle) stopAll() { o.stopped = true }

func (o *oracle) resumeAll() { o.stopped = false }

func (o *oracle) stopOne(m *iron, scope string) { o.asked["machine/"+m.name+" "+scope]++ }

func (o *oracle) stopDecided(m *iron, scope string) {
	if k := "machine/" + m.name + " " + scope; o.asked[k] > 0 {
		o.asked[k]--
	}
}

// approves notes a yes as it was given.
func (o *oracle) approves(l *line, k card, digest string, who core.Person) {
	o.grants = append(o.grants, &grant{
		machine: l.iron.name, card: k.p.Proposal, digest: digest, role: who.Role, used: map[string]bool{},
	})
	if len(o.grants) > 500 {
		o.grants = o.grants[100:]
	}
}

// toolChanged lets the travel of a tool's registers begin anew.
func (o *oracle) toolChanged(m *iron, t int) {
	for i := range m.regs {
		if m.regs[i].tool == t {
			o.account(m, i).spent, o.account(m, i).own, o.account(m, i).chased = 0, 0, 0
			o.account(m, i).loose, o.account(m, i).counted = false, false
			if s := o.books["machine/"+m.name].seen; s != nil && s.Tools[t] == m.tools[t] {
				o.account(m, i).loose = true // counted back before, and both while nobody looked
			}
		}
	}
}
