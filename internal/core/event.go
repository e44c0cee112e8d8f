package core

import (
	"encoding/json"
	"fmt"

	"offsetbridge/internal/length"
)

// Event is one durable fact about a machine: one of the types below. Events
// carry the decision and its arithmetic, so that folding them decides nothing.
type Event interface {
	// Kind is the event's code in the journal, at most 8 bytes.
	Kind() string
	// Keys are what a query finds it by.
	Keys() Keys
}

// Keys are the query keys of an event; empty where they do not apply.
type Keys struct{ Loop, Part, Gauge, Person string }

// Begun: the process started and folded its journal.
type Begun struct {
	Version string  `json:"version"`
	Epoch   uint64  `json:"epoch"`
	Minute  float64 `json:"minute"` // machine minutes so far, the pause included
}

// Configured: a configuration was accepted.
type Configured struct {
	Settings Settings `json:"settings"`
	Who      Person   `json:"who"`
}

// Linked: the session with the machine came up or went down.
type Linked struct {
	Up    bool   `json:"up"`
	Cause Code   `json:"c,omitempty"`
	Text  string `json:"t,omitempty"`
}

// Seen: counter, program, tool or register differs from what was seen before.
type Seen struct {
	Counter   uint64          `json:"n"`
	Program   string          `json:"p"`
	Serial    string          `json:"s,omitempty"`
	Tools     []int64         `json:"t"`
	Registers []length.Length `json:"r"`
	Fresh     bool            `json:"f,omitempty"`  // first sample of a session: what happened before is unknown
	Cutting   bool            `json:"ct,omitempty"` // writing was not permitted
	Open      *OpenCut        `json:"o,omitempty"`  // what is in force for the next part where it is not just that
}

// Cut is the machine's own record of one cut.
type Cut struct {
	Count     uint64          `json:"n"` // the machine's part number
	Serial    string          `json:"s,omitempty"`
	Nth       int             `json:"k"` // which cut of that serial, from 1
	Program   string          `json:"p"`
	Tools     []int64         `json:"t"`
	Registers []length.Length `json:"r"`           // in force while it was cut
	Doubt     Code            `json:"d,omitempty"` // why it steers nothing
	Minute    float64         `json:"m"`
	Measured  []string        `json:"c,omitempty"` // characteristics read so far
}

// Recorded: a part was cut.
type Recorded struct {
	Cut
	Still float64 `json:"i,omitempty"` // minutes it was seen to stand still before, where that is long enough to cool
}

// Moved: a register changed and it was not one of our intents.
type Moved struct {
	Register string        `json:"r"`
	Old      length.Length `json:"o"`
	New      length.Length `json:"n"`
	Count    uint64        `json:"k"`
}

// ToolChanged: the control reports another generation of a tool, or a person said
// that it was changed.
type ToolChanged struct {
	Tool string  `json:"t"`
	Old  int64   `json:"o"`
	New  int64   `json:"n"`
	Last uint64  `json:"k,omitempty"` // the last part of the tool before, where a person said so
	Who  *Person `json:"w,omitempty"`
}

// Waits: a reading came before the record of its cut.
type Waits struct {
	Reading Reading `json:"r"`
}

// Judged: what became of a reading, stage by stage. A stage that stopped it
// names why; the stages after it are empty.
type Judged struct {
	Reading Reading `json:"r"`
	Loop    string  `json:"l,omitempty"`
	Waited  bool    `json:"wt,omitempty"` // it was admitted before, and waited for the record of its cut

	Gather   Code    `json:"ga,omitempty"` // one of several readings, and the measurement is not complete
	Gathered float64 `json:"gm,omitempty"` // machine minutes when it came
	Whole    *Whole  `json:"wh,omitempty"` // the measurement that this reading completed

	Admit     Code          `json:"a,omitempty"`
	Attribute Code          `json:"b,omitempty"`
	Count     uint64        `json:"k,omitempty"`  // the cut it belongs to
	Regauge   bool          `json:"rg,omitempty"` // further evidence on the same cut
	Recut     bool          `json:"rc,omitempty"` // not the first cut of that part
	NoIdent   bool          `json:"ni,omitempty"` // not tied to its part by a number: at most confirm
	Cutting   bool          `json:"ct,omitempty"` // a part was being cut: a change would act on the one after it
	Deviation length.Length `json:"d,omitempty"`  // size that steers − aim
	Command   length.Length `json:"u,omitempty"`  // Σ effect · register in force at that cut

	Seen      length.Length `json:"sn,omitempty"` // change of size since the reading before, less what the process did by itself, where a change was commanded
	SeenSigma length.Length `json:"ss,omitempty"` // its standard deviation

	Estimate Code          `json:"e,omitempty"`
	Drift    length.Length `json:"z,omitempty"` // what the process does by itself where a change would act: the command that cancels it, negated
	Ratio    Effect        `json:"q,omitempty"` // learned response, seen ÷ commanded, in thousandths
	Sigma    length.Length `json:"sg,omitempty"`
	Noise    length.Length `json:"ns,omitempty"`

	Propose Code          `json:"f,omitempty"`
	Aside   length.Length `json:"as,omitempty"` // first part: aimed so far from the aim, on the side that can be cut again
	Moves   []Move        `json:"m,omitempty"`

	Bound Code `json:"h,omitempty"`
	Need  Role `json:"nd,omitempty"` // who has to say yes; empty = nobody
	Route Code `json:"o,omitempty"`

	Minute float64 `json:"t,omitempty"` // machine minutes of the cut, for the thermal states
	live   bool    // the estimate has taken it already
	kind   Code    // no reading, but why a correction is worked out anew
}

// Move is one register's part of a correction.
type Move struct {
	Register string        `json:"r"`
	Old      length.Length `json:"o"`
	Want     length.Length `json:"w"` // before rounding to the register's step
	New      length.Length `json:"n"`
	Size     length.Length `json:"s"` // effect · (new − old): the change of size it alone would make, where it makes most
}

// Proposal is a correction waiting for a person, or for the machine to stand
// still.
type Proposal struct {
	ID        uint64        `json:"id"`
	Loop      string        `json:"l"`
	First     bool          `json:"f,omitempty"`  // first part after a tool or set-up change
	Trigger   Code          `json:"tg,omitempty"` // why it was worked out without a new reading: a return, a standstill
	Moves     []Move        `json:"m"`
	Tool      string        `json:"tl"`
	Gen       int64         `json:"g"`
	Program   string        `json:"p,omitempty"`
	Settings  string        `json:"sd"` // digest of the loop's settings
	Digest    string        `json:"dg"` // what an approval names
	Reason    Code          `json:"c,omitempty"`
	Need      Role          `json:"nd,omitempty"`
	Two       bool          `json:"tw,omitempty"` // two people have to agree
	From      uint64        `json:"fr,omitempty"` // the proposal it was made smaller of, by a person
	Part      string        `json:"pt,omitempty"`
	Gauge     string        `json:"ga,omitempty"` // of the newest reading it rests on
	Count     uint64        `json:"k"`            // newest cut it rests on
	Measured  length.Length `json:"ms"`           // the size that steers
	Raw       length.Length `json:"rw,omitempty"` // as the gauge showed it, of a single reading that was referred to 20 °C
	Aim       length.Length `json:"am"`
	Aside     length.Length `json:"as,omitempty"` // first part: aimed so far from the aim
	Predicted length.Length `json:"pr"`           // of the next part with the change
	Sigma     length.Length `json:"sg"`
	Minute    float64       `json:"mn"`           // machine minutes when it was proposed
	Size      length.Length `json:"sz"`           // change of the measured size by all moves together
	By        *Person       `json:"by,omitempty"` // who asked for it, where a person did

	Characteristic string       `json:"ch,omitempty"` // that was measured, of several
	Sizes          []SizeChange `json:"si,omitempty"` // what the correction does to each of several
}

// Status of a proposal.
type Status string

// A proposal waits for a person, then for the machine, then for its outcome.
const (
	Pending Status = "pending" // a person has to decide
	Ready   Status = "ready"   // may be sent when the machine permits
	Sent    Status = "sent"    // an intent exists
)

// Proposed: a correction was proposed.
type Proposed struct{ Proposal }

// Voided: a proposal ended without effect.
type Voided struct {
	Proposal uint64  `json:"id"`
	Loop     string  `json:"l"`
	Cause    Code    `json:"c"`
	Reason   string  `json:"t,omitempty"` // a person's words
	Who      *Person `json:"w,omitempty"`
	Gauge    string  `json:"g,omitempty"` // whose readings it was built on, where they are the cause
}

// Approved: a person said yes to a proposal.
type Approved struct {
	Proposal uint64 `json:"id"`
	Loop     string `json:"l"`
	Who      Person `json:"w"`
	Another  bool   `json:"an,omitempty"` // another person has to agree as well
}

// Marked: a person wants the part of a proposal measured again before it is
// decided, or does not any more.
type Marked struct {
	Proposal uint64 `json:"id"`
	Loop     string `json:"l"`
	Part     string `json:"p,omitempty"`
	On       bool   `json:"on"`
	Who      Person `json:"w"`
}

// Declined: a person's action was not accepted.
type Declined struct {
	What  string `json:"a"` // approve, reject, hold, resume, …
	Ref   uint64 `json:"id,omitempty"`
	Loop  string `json:"l,omitempty"`
	Cause Code   `json:"c"`
	Who   Person `json:"w"`
}

// Intended: a write was decided; this is durable before anything is sent.
type Intended struct {
	Intent
	Charge   length.Length `json:"ch,omitempty"` // of the travel budget, in size; 0 when a person approved it
	Unproven bool          `json:"un,omitempty"` // automatic while the direction is unproven
}

// Concluded: what became of a write.
type Concluded struct {
	Outcome
	Loop     string `json:"l"`
	Register string `json:"r"`
	Late     bool   `json:"lt,omitempty"` // classified by reading after the quarantine
	Again    bool   `json:"ag,omitempty"` // nothing left; the proposal may be tried again
	More     bool   `json:"mo,omitempty"` // the next move of the same correction follows
}

// Held: a loop, or the whole machine when Loop is empty, is on hold.
type Held struct {
	Loop  string  `json:"l,omitempty"`
	Cause Code    `json:"c"`
	Text  string  `json:"t,omitempty"`
	Clear Role    `json:"cl"` // who may clear it
	Who   *Person `json:"w,omitempty"`
}

// Resumed: a person cleared a hold.
type Resumed struct {
	Loop  string `json:"l,omitempty"`
	Cause Code   `json:"c"`
	Note  string `json:"t"`
	Who   Person `json:"w"`
}

// Paired: a serial was announced for a part.
type Paired struct{ Pair }

// Tasked: a measuring task was opened or, with an empty part, closed.
type Tasked struct{ Task }

func (Begun) Kind() string       { return "begin" }
func (Configured) Kind() string  { return "config" }
func (Linked) Kind() string      { return "link" }
func (Seen) Kind() string        { return "seen" }
func (Recorded) Kind() string    { return "cut" }
func (Moved) Kind() string       { return "moved" }
func (ToolChanged) Kind() string { return "tool" }
func (Waits) Kind() string       { return "wait" }
func (Judged) Kind() string      { return "read" }
func (Proposed) Kind() string    { return "prop" }
func (Voided) Kind() string      { return "void" }
func (Approved) Kind() string    { return "approve" }
func (Declined) Kind() string    { return "decline" }
func (Marked) Kind() string      { return "again" }
func (Intended) Kind() string    { return "intent" }
func (Concluded) Kind() string   { return "outcome" }
func (Held) Kind() string        { return "hold" }
func (Resumed) Kind() string     { return "resume" }
func (Paired) Kind() string      { return "pair" }
func (Tasked) Kind() string      { return "task" }

func (Begun) Keys() Keys        { return Keys{} }
func (e Configured) Keys() Keys { return Keys{Person: e.Who.Principal} }
func (Linked) Keys() Keys       { return Keys{} }
func (Seen) Keys() Keys         { return Keys{} }
func (e Recorded) Keys() Keys   { return Keys{Part: partName(e.Serial, e.Count)} }
func (Moved) Keys() Keys        { return Keys{} }
func (e ToolChanged) Keys() Keys {
	return Keys{Person: principal(e.Who)}
}
func (e Waits) Keys() Keys { return Keys{Gauge: e.Reading.Gauge, Part: e.Reading.Part} }
func (e Judged) Keys() Keys {
	return Keys{Loop: e.Loop, Gauge: e.Reading.Gauge, Part: e.Reading.Part}
}
func (e Proposed) Keys() Keys {
	return Keys{Loop: e.Loop, Part: e.Part, Gauge: e.Gauge, Person: principal(e.By)}
}
func (e Voided) Keys() Keys    { return Keys{Loop: e.Loop, Gauge: e.Gauge, Person: principal(e.Who)} }
func (e Approved) Keys() Keys  { return Keys{Loop: e.Loop, Person: e.Who.Principal} }
func (e Declined) Keys() Keys  { return Keys{Loop: e.Loop, Person: e.Who.Principal} }
func (e Marked) Keys() Keys    { return Keys{Loop: e.Loop, Part: e.Part, Person: e.Who.Principal} }
func (e Intended) Keys() Keys  { return Keys{Loop: e.Intent.Loop} }
func (e Concluded) Keys() Keys { return Keys{Loop: e.Loop} }
func (e Held) Keys() Keys      { return Keys{Loop: e.Loop, Person: principal(e.Who)} }
func (e Resumed) Keys() Keys   { return Keys{Loop: e.Loop, Person: e.Who.Principal} }
func (e Paired) Keys() Keys    { return Keys{Part: e.Serial} }
func (e Tasked) Keys() Keys    { return Keys{Part: e.Part, Gauge: e.Gauge, Person: e.Who.Principal} }

func principal(p *Person) string {
	if p == nil {
		return ""
	}
	return p.Principal
}

// Encode returns the bytes of an event as the journal stores them.
func Encode(e Event) []byte {
	b, err := json.Marshal(e)
	if err != nil {
		panic(fmt.Sprintf("core: event %s does not encode: %v", e.Kind(), err))
	}
	return b
}

// Decode reads back what Encode wrote.
func Decode(kind string, body []byte) (Event, error) {
	decode, ok := decoders[kind]
	if !ok {
		return nil, fmt.Errorf("event kind %q is not known, it was written by a newer version", kind)
	}
	e, err := decode(body)
	if err != nil {
		return nil, fmt.Errorf("event %q does not decode: %w", kind, err)
	}
	return e, nil
}

var decoders = map[string]func([]byte) (Event, error){
	Begun{}.Kind():       as[Begun],
	Configured{}.Kind():  as[Configured],
	Linked{}.Kind():      as[Linked],
	Seen{}.Kind():        as[Seen],
	Recorded{}.Kind():    as[Recorded],
	Moved{}.Kind():       as[Moved],
	ToolChanged{}.Kind(): as[ToolChanged],
	Waits{}.Kind():       as[Waits],
	Judged{}.Kind():      as[Judged],
	Proposed{}.Kind():    as[Proposed],
	Voided{}.Kind():      as[Voided],
	Approved{}.Kind():    as[Approved],
	Declined{}.Kind():    as[Declined],
	Marked{}.Kind():      as[Marked],
	Intended{}.Kind():    as[Intended],
	Concluded{}.Kind():   as[Concluded],
	Held{}.Kind():        as[Held],
	Resumed{}.Kind():     as[Resumed],
	Paired{}.Kind():      as[Paired],
	Tasked{}.Kind():      as[Tasked],
	Rejected{}.Kind():    as[Rejected],
	Unplaced{}.Kind():    as[Unplaced],
	Loaded{}.Kind():      as[Loaded],
	Broker{}.Kind():      as[Broker],
	Set{}.Kind():         as[Set],
	RingChecked{}.Kind(): as[RingChecked],
	Checked{}.Kind():     as[Checked],
	Dated{}.Kind():       as[Dated],
	Assigned{}.Kind():    as[Assigned],
	Discarded{}.Kind():   as[Discarded],
	Plugged{}.Kind():     as[Plugged],
}

func as[E Event](body []byte) (Event, error) {
	var e E
	err := json.Unmarshal(body, &e)
	return e, err
}
