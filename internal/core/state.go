package core

import (
	"cmp"
	"slices"
	"strconv"

	"offsetbridge/internal/compensate"
	"offsetbridge/internal/length"
)

// Bounds of what the state remembers.
const (
	maxCuts     = 256  // cut records kept for readings to come
	maxWaiting  = 64   // readings that came before their cut record
	maxAhead    = 50   // parts a reading may be ahead of the machine's count
	maxPairs    = 256  // announced serials
	maxTasks    = 64   // open measuring tasks
	maxGauges   = 1024 // gauges with a known last sequence
	maxTries    = 5    // attempts at one proposal that never left
	chaseParts  = 10   // a second large move the same way within so many parts chases something (common practice, no source)
	maxUnproven = 3    // automatic moves while the direction is unproven (hazard row 1)
)

// State is everything the core knows of one machine.
type State struct {
	Ledger    Ledger     `json:"ledger"`
	Estimates []Estimate `json:"estimates"` // one per loop of the settings

	now situation
}

// Ledger is what was folded from events.
type Ledger struct {
	Settings    Settings       `json:"settings"`
	Epoch       uint64         `json:"epoch"`
	Minute      float64        `json:"minute"` // machine minutes at the last start
	Cycle       float64        `json:"cycle"`  // ordinary minutes from cut to cut
	Seen        *Seen          `json:"seen,omitempty"`
	Cuts        []Cut          `json:"cuts"` // oldest first
	Registers   []RegisterBook `json:"registers"`
	Loops       []LoopBook     `json:"loops"`
	Gauges      []GaugeBook    `json:"gauges"` // by name
	Waiting     []Reading      `json:"waiting"`
	Pairs       []Pair         `json:"pairs"`
	Tasks       []Task         `json:"tasks"`
	Holds       []Held         `json:"holds"`     // per scope the first cause first; a later one only where it needs a higher role
	Proposals   []Open         `json:"proposals"` // at most one per loop
	LastID      uint64         `json:"last_id"`
	Rings       uint64         `json:"rings,omitempty"` // rings read by a task, ever: the plant takes each once
	Plant       uint64         `json:"plant,omitempty"` // newest record of the plant's stream that was taken
	OutOfDate   Dates          `json:"out_of_date,omitzero"`
	Tray        []Unplaced     `json:"tray,omitempty"`     // readings that wait for a person to say what they are
	Requests    []Request      `json:"requests,omitempty"` // at most one per characteristic
	LastRequest uint64         `json:"last_request,omitempty"`
	Renewed     []Renewed      `json:"renewed,omitempty"` // tool changes that a person reported, the newest of each tool
	LastTray    uint64         `json:"last_tray,omitempty"`
	Virtual     []VirtualBook  `json:"virtual,omitempty"`   // what GO gauging taught, by characteristic
	Hand        HandBook       `json:"hand,omitzero"`       // of a machine by hand
	Gathering   []Gathering    `json:"gathering,omitempty"` // measurements that wait for further readings, oldest first
}

// Open is a proposal that has not ended.
type Open struct {
	Proposal
	Status   Status  `json:"status"`
	Approval *Person `json:"approval,omitempty"`
	Agreed   *Person `json:"agreed,omitempty"` // the first of two, until the second has
	Again    *Person `json:"again,omitempty"`  // wants the part measured again first
	Tries    int     `json:"tries,omitempty"`  // of the next move
	Done     int     `json:"done,omitempty"`   // moves made and read back
}

// OpenCut is what is in force for the part that is being cut, or comes next.
type OpenCut struct {
	Registers []length.Length `json:"r,omitempty"`
	Tools     []int64         `json:"t,omitempty"`
	Program   string          `json:"p,omitempty"`
	Serial    string          `json:"s,omitempty"`
	Doubt     Code            `json:"d,omitempty"`
}

// RegisterBook is the account of one register, kept under the machine's own
// identity and the node, whatever the configuration calls it.
type RegisterBook struct {
	Identity string        `json:"identity"`
	Node     string        `json:"node"`
	Known    bool          `json:"known"`
	Value    length.Length `json:"value"`
	Spent    length.Length `json:"spent"`           // Σ|unapproved steps| in size since the last reset
	Recent   length.Length `json:"recent"`          // of it, charged since the last sample: counts for the next tool too
	Alone    length.Length `json:"alone,omitempty"` // change of the register at its last move, if nobody approved it
	Own      length.Length `json:"own"`             // net size the loop itself cut away since a person last set the register
	Unproven int           `json:"unproven"`
	Foreign  []uint64      `json:"foreign,omitempty"` // counts of the last foreign changes
	LastMove uint64        `json:"last_move"`         // count at the last intent
	Moved    float64       `json:"moved,omitempty"`   // and the machine minute of its proposal
	Pending  *Intent       `json:"pending,omitempty"` // an intent without a certain outcome
	Charge   length.Length `json:"charge,omitempty"`  // what the pending intent cost
	Doubtful bool          `json:"doubtful,omitempty"`
	Swing    Swing         `json:"swing,omitzero"`
}

// LoopBook is the account of one loop.
type LoopBook struct {
	Name     string          `json:"name"`
	Digest   string          `json:"digest"`
	First    bool            `json:"first"`              // set-up or tool change: no part has proven the size yet
	Evidence uint64          `json:"evidence"`           // readings used ever
	Back     bool            `json:"back,omitempty"`     // a proven tool was changed: back to where tools start
	Loose    bool            `json:"loose,omitempty"`    // the last reading was not tied to its part by a number
	Acted    uint64          `json:"acted"`              // evidence at the last intent: one state of the estimate, one intent
	Parts    uint64          `json:"parts,omitempty"`    // cut for it under these settings
	Asked    uint64          `json:"asked,omitempty"`    // cards in them that a person had to decide
	Odd      int             `json:"odd"`                // implausible readings in a row
	Silent   uint64          `json:"silent,omitempty"`   // parts cut for it since the last reading that counted
	Unsized  uint64          `json:"unsized,omitempty"`  // of them, cut since the set-up or the new tool
	Rejected []length.Length `json:"rejected,omitempty"` // register values a person said no to, in the loop's order
	Refused  bool            `json:"refused,omitempty"`  // the last reading asked for just that once more
	Before   []length.Length `json:"before,omitempty"`   // register values before the last change, in the loop's order
	Signed   *Signed         `json:"signed,omitempty"`   // the first part of this tool and set-up
	Sizes    []SizeBook      `json:"sizes"`              // in the order of the loop's characteristics
}

// SizeBook is the account of one characteristic of a loop.
type SizeBook struct {
	Used     int                 `json:"used"`     // readings used since the set-up or tool change
	Contrary int                 `json:"contrary"` // moves in a row that spoke against the effects
	Last     Last                `json:"last"`
	Newest   *Measured           `json:"newest,omitempty"`
	Plug     PlugBook            `json:"plug,omitzero"`
	Response compensate.Response `json:"response"`
	Surprise Surprise            `json:"surprise,omitzero"`
	Beyond   Beyond              `json:"beyond,omitzero"` // parts past a limit in a row
	Recuts   compensate.Response `json:"recuts,omitzero"` // of parts cut again, each against its own cut before
	Loose    int                 `json:"loose,omitempty"` // tied readings to come until those that no number tied weigh little
}

// Last is the previous used reading, for the response.
type Last struct {
	Count     uint64        `json:"n"`
	Deviation length.Length `json:"d"`
	Command   length.Length `json:"u"`
}

// GaugeBook remembers the last sequence of one gauge, and its state.
type GaugeBook struct {
	Gauge   string     `json:"gauge"`
	Last    uint64     `json:"last"`
	Trust   GaugeTrust `json:"trust,omitzero"`
	Numbers Numbers    `json:"numbers,omitzero"`
}

// situation is what is true just now; it is never journaled and unknown after a
// start.
type situation struct {
	at        Instant
	began     int64 // Mono of the start
	verified  bool  // the whole journal was read back undamaged
	up        bool
	down      Code   // why the session is down
	epoch     uint64 // of the session
	sampled   bool   // a sample of this session was seen
	sampleAt  int64  // Mono
	order     uint64 // of the newest read
	permitted bool
	still     int64      // ms it has been seen to stand still since the count last changed
	cut       bool       // a cycle was under way since the count last changed: a part is begun, or finished and not yet counted
	since     []timed    // when open proposals and writes, and doubts about them, began
	tasks     []openTask // when measuring tasks were set
}

type openTask struct {
	gauge string
	at    int64
}

type timed struct {
	id uint64
	at int64
}

func (s *State) book(register string) *RegisterBook {
	r := s.Ledger.Settings.Register(register)
	if r == nil {
		return nil
	}
	return s.bookAt(s.Ledger.Settings.Identity, r.Node)
}

func (s *State) bookAt(identity, node string) *RegisterBook {
	for i := range s.Ledger.Registers {
		if b := &s.Ledger.Registers[i]; b.Identity == identity && b.Node == node {
			return b
		}
	}
	return nil
}

func (s *State) loopBook(name string) *LoopBook {
	for i := range s.Ledger.Loops {
		if s.Ledger.Loops[i].Name == name {
			return &s.Ledger.Loops[i]
		}
	}
	return nil
}

func (s *State) proposal(id uint64) *Open {
	for i := range s.Ledger.Proposals {
		if s.Ledger.Proposals[i].ID == id {
			return &s.Ledger.Proposals[i]
		}
	}
	return nil
}

func (s *State) proposalOf(loop string) *Open {
	for i := range s.Ledger.Proposals {
		if s.Ledger.Proposals[i].Loop == loop {
			return &s.Ledger.Proposals[i]
		}
	}
	return nil
}

// HoldOn returns the hold that stops a loop: the machine's own first.
func (s *State) HoldOn(loop string) *Held {
	for _, scope := range []string{"", loop} {
		if h := s.hold(scope); h != nil {
			return h
		}
	}
	return nil
}

func (s *State) hold(scope string) *Held {
	for i := range s.Ledger.Holds {
		if s.Ledger.Holds[i].Loop == scope {
			return &s.Ledger.Holds[i]
		}
	}
	return nil
}

func (s *State) heldBy(scope string, cause Code) *Held {
	for i := range s.Ledger.Holds {
		if h := &s.Ledger.Holds[i]; h.Loop == scope && h.Cause == cause {
			return h
		}
	}
	return nil
}

func (s *State) cut(count uint64) *Cut {
	i, ok := slices.BinarySearchFunc(s.Ledger.Cuts, count, func(c Cut, n uint64) int { return cmp.Compare(c.Count, n) })
	if !ok {
		return nil
	}
	return &s.Ledger.Cuts[i]
}

func (s *State) gauge(name string) *GaugeBook {
	i, ok := slices.BinarySearchFunc(s.Ledger.Gauges, name, func(g GaugeBook, n string) int { return cmp.Compare(g.Gauge, n) })
	if ok {
		return &s.Ledger.Gauges[i]
	}
	if len(s.Ledger.Gauges) >= maxGauges {
		s.Ledger.Gauges = slices.DeleteFunc(s.Ledger.Gauges, func(g GaugeBook) bool { return !s.Ledger.Settings.uses(g.Gauge) })
		i, _ = slices.BinarySearchFunc(s.Ledger.Gauges, name, func(g GaugeBook, n string) int { return cmp.Compare(g.Gauge, n) })
	}
	s.Ledger.Gauges = slices.Insert(s.Ledger.Gauges, i, GaugeBook{Gauge: name})
	return &s.Ledger.Gauges[i]
}

func (s *State) lastSequence(gauge string) uint64 {
	i, ok := slices.BinarySearchFunc(s.Ledger.Gauges, gauge, func(g GaugeBook, n string) int { return cmp.Compare(g.Gauge, n) })
	if !ok {
		return 0
	}
	return s.Ledger.Gauges[i].Last
}

// toolOf returns the tool whose generation a loop depends on, and its index.
func (s *State) toolOf(l *Loop) (string, int) {
	if len(l.Registers) == 0 {
		return "", -1
	}
	r := s.Ledger.Settings.Register(l.Registers[0])
	return r.Tool, s.Ledger.Settings.toolIndex(r.Tool)
}

func partName(serial string, count uint64) string {
	if serial != "" {
		return serial
	}
	return strconv.FormatUint(count, 10)
}
