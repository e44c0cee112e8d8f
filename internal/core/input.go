package core

import (
	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// Instant is when an input happened. Decisions use only Mono; Wall is recorded.
type Instant struct {
	Wall int64 `json:"w"` // UTC, milliseconds
	Mono int64 `json:"m"` // milliseconds since this process started; never compared across starts
}

// Input is one thing that happened to a machine. Ref is the caller's own
// reference, handed back with what the input caused once that is durable.
type Input struct {
	At   Instant
	Ref  uint64
	Fact Fact
}

// Fact is what happened: one of the types below.
type Fact interface{ fact() }

// Started is the first input after a start of the process.
type Started struct {
	Version string `json:"version"`
	Epoch   uint64 `json:"epoch"`    // rises with every start
	Pause   int64  `json:"pause_ms"` // since the last record, by the wall clock; negative is not known: that clock went back
}

// Configure offers a configuration that config has already checked.
type Configure struct {
	Settings Settings `json:"settings"`
	Who      Person   `json:"who"`
}

// Link says whether the machine's session is up.
type Link struct {
	Up    bool   `json:"up"`
	Epoch uint64 `json:"epoch"` // rises with every new session
	Cause Code   `json:"cause,omitempty"`
	Text  string `json:"text,omitempty"` // what the machine or the library said, bounded
	Bad   bool   `json:"bad,omitempty"`  // identity, type, unit or range differs from what was commissioned: hold
}

// Sample is one Read of everything at the machine, at one moment of one session.
type Sample struct {
	Epoch     uint64          `json:"epoch"`
	Read      int64           `json:"read,omitempty"` // Mono when it was begun to be read, where the edge tells it: it may have waited since
	Order     uint64          `json:"order"`          // rises with every Read that the edge completes, in the order they were made
	Counter   uint64          `json:"counter"`        // parts completed (or started, see Settings.CountsAt)
	Program   string          `json:"program"`
	Serial    string          `json:"serial,omitempty"` // of the part in the machine, where it is read there
	Permitted bool            `json:"permitted"`        // not cutting: writing is allowed now
	Tools     []int64         `json:"tools"`            // generation per tool of Settings.Tools; -1 when it could not be read
	Registers []length.Length `json:"registers"`        // per register of Settings.Registers
}

// Reading is one gauge result as the intake understood it.
type Reading struct {
	Gauge          string         `json:"g"`
	Sequence       uint64         `json:"n,omitempty"` // rising per gauge; 0 = the gauge gives none
	Source         int64          `json:"s,omitempty"` // the gauge's own time, UTC ms; recorded, never used for ordering
	Machine        string         `json:"-"`
	Characteristic string         `json:"c"`
	Part           string         `json:"p,omitempty"`
	Cut            int            `json:"k,omitempty"`  // 1, 2, … of that part; 0 = the latest
	State          string         `json:"st,omitempty"` // "" a production part; "test", "rework", "setting", …: not used to steer
	Value          length.Length  `json:"v"`
	Retained       bool           `json:"rt,omitempty"`
	Manual         *Person        `json:"by,omitempty"`  // typed in, or placed, by a person
	Reason         string         `json:"why,omitempty"` // that person's
	Temp           *gauge.Celsius `json:"tc,omitempty"`  // of the part, where it is known
	TempGauge      *gauge.Celsius `json:"tg,omitempty"`  // of the gauge's own frame
	TempStandard   *gauge.Celsius `json:"ts,omitempty"`  // of the standard; unknown is as it was at the setting
	Depth          *length.Length `json:"at,omitempty"`  // from the mouth
	Turn           *Turn          `json:"tn,omitempty"`  // orientation about the axis
	Worth          *Worth         `json:"w,omitempty"`   // worked out when it is admitted
}

// Pair announces which serial the machine is about to count as its next part.
type Pair struct {
	Serial  string `json:"serial"`
	Counter uint64 `json:"counter"` // 0 = the next one
}

// Task says what the next bare reading of a gauge measures, until it expires.
type Task struct {
	Gauge          string   `json:"gauge"`
	Characteristic string   `json:"characteristic"`
	Part           string   `json:"part"`
	Cut            int      `json:"cut,omitempty"`
	Then           []string `json:"then,omitempty"` // what is measured of the part after that, in this order
	Ring           string   `json:"ring,omitempty"` // measuring a setting ring, not a part
	For            int64    `json:"for_ms"`
	Who            Person   `json:"who"`
}

// Outcome is what became of an intent's write.
type Outcome struct {
	Intent uint64        `json:"intent"`
	Result Result        `json:"result"`
	Code   Code          `json:"code,omitempty"` // why not sent, why refused
	Text   string        `json:"text,omitempty"` // status as the machine gave it, bounded
	Read   length.Length `json:"read,omitempty"` // the register at the read-back, or at the pre-read when not sent
	Sample *Sample       `json:"-"`              // that whole read: it is newer than any sample before it
}

// Result classifies a write.
type Result string

// What can become of a write.
const (
	Applied Result = "applied" // read back independently, equal to the intent
	NotSent Result = "notsent" // a precondition failed at the pre-read; nothing left
	Refused Result = "refused" // the machine answered no; the register holds the old value
	Differs Result = "differs" // answered good, but the read-back is neither: clipped, foreign
	Unknown Result = "unknown" // no certain answer: never sent again, read after the quarantine
)

// Verified says whether the whole journal was found undamaged after a start.
// Until it came, nothing is written without a person.
type Verified struct {
	OK   bool   `json:"ok"`
	Text string `json:"text,omitempty"` // what is damaged
}

// Tick lets time pass.
type Tick struct{}

// Approve is a person's yes to exactly the proposal whose digest they saw.
type Approve struct {
	Proposal uint64 `json:"proposal"`
	Digest   string `json:"digest"`
	Who      Person `json:"who"`
}

// Lower asks for less than a proposal of a single register: New lies between what
// the register holds and what was proposed. It makes a new proposal, which has to
// be approved like any other.
type Lower struct {
	Proposal uint64        `json:"proposal"`
	Digest   string        `json:"digest"`
	New      length.Length `json:"new"`
	Who      Person        `json:"who"`
}

// MeasureAgain asks for a second reading of a proposal's part before it is
// decided, or takes that back.
type MeasureAgain struct {
	Proposal uint64 `json:"proposal"`
	On       bool   `json:"on"`
	Who      Person `json:"who"`
}

// How somebody is known who did not enter a PIN: a program by its token, whoever
// may open the local socket by the name of their account on the computer.
const (
	AuthToken  = "token"
	AuthSocket = "local socket"
)

// known reports whether a person is told from every other one: the same one may have
// several tokens, and several accounts on the computer.
func (p Person) known() bool { return p.Auth != AuthToken && p.Auth != AuthSocket }

// Reject is a person's no, with a reason.
type Reject struct {
	Proposal uint64 `json:"proposal"`
	Reason   string `json:"reason"`
	Who      Person `json:"who"`
}

// Hold stops a loop, or the machine when Loop is empty, until someone resumes.
type Hold struct {
	Loop  string `json:"loop,omitempty"`
	Note  string `json:"note"`
	Plant bool   `json:"plant,omitempty"` // part of a hold-all
	Who   Person `json:"who"`
}

// Resume clears a latched hold; it must name the cause it has seen.
type Resume struct {
	Loop  string `json:"loop,omitempty"`
	Cause Code   `json:"cause"`
	Note  string `json:"note"`
	Who   Person `json:"who"`
}

// Person is who did something, in which role, and how we know.
type Person struct {
	Principal string `json:"principal"`
	Role      Role   `json:"role"`
	Auth      string `json:"auth"` // "local socket", …
}

// Role orders what a person may do.
type Role string

// Roles, from least to most.
const (
	Viewer   Role = "viewer"
	Operator Role = "operator"
	Setter   Role = "setter"
	Engineer Role = "engineer"
)

// May reports whether r includes the rights of need.
func (r Role) May(need Role) bool { return r.rank() >= need.rank() && r.rank() > 0 }

func (r Role) rank() int {
	switch r {
	case Viewer:
		return 1
	case Operator:
		return 2
	case Setter:
		return 3
	case Engineer:
		return 4
	}
	return 0
}

func (Lower) fact()        {}
func (MeasureAgain) fact() {}
func (Started) fact()      {}
func (Configure) fact()    {}
func (Link) fact()         {}
func (Sample) fact()       {}
func (Reading) fact()      {}
func (Pair) fact()         {}
func (Task) fact()         {}
func (Outcome) fact()      {}
func (Verified) fact()     {}
func (Tick) fact()         {}
func (Approve) fact()      {}
func (Reject) fact()       {}
func (Hold) fact()         {}
func (Resume) fact()       {}

// Intent is a write that was decided: with every precondition that is checked
// again at the pre-read, in the same Read as the old value.
type Intent struct {
	ID       uint64        `json:"id"`
	Proposal uint64        `json:"proposal"`
	Group    uint64        `json:"group"` // several registers of one correction
	Index    int           `json:"index"`
	Count    int           `json:"count"`
	Loop     string        `json:"loop"`
	Register string        `json:"register"`
	Old      length.Length `json:"old"`
	New      length.Length `json:"new"`
	Tool     string        `json:"tool"`
	Gen      int64         `json:"gen"`     // tool generation
	Program  string        `json:"program"` // empty accepts any
	Epoch    uint64        `json:"epoch"`   // session it was decided in
	SendBy   int64         `json:"send_by"` // Mono
}
