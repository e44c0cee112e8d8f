package core

import (
	"slices"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// SignFirst is a person's signature under the first part after a set-up: what
// was measured, and that GO and NO-GO were as they have to be. It releases
// nothing; whoever signs does.
type SignFirst struct {
	Loop string `json:"loop"`
	Part string `json:"part"`
	Note string `json:"note,omitempty"`
	Who  Person `json:"who"`
}

func (SignFirst) fact() {}

// FirstOff: the first part was signed, with what was known of it.
type FirstOff struct {
	Loop      string       `json:"l"`
	Part      string       `json:"p"`
	Count     uint64       `json:"k"`
	Tool      string       `json:"tl,omitempty"`
	Gen       int64        `json:"g,omitempty"`
	Program   string       `json:"pg,omitempty"`
	Sizes     []FirstSize  `json:"s"`
	Registers []FirstValue `json:"r"`
	Note      string       `json:"t,omitempty"`
	Who       Person       `json:"w"`
}

// FirstSize is one size of a first part.
type FirstSize struct {
	Characteristic string         `json:"c"`
	Limits         length.Range   `json:"lm"`
	Size           length.Length  `json:"v"`
	Decision       gauge.Decision `json:"d"`
	U              length.Length  `json:"u,omitempty"` // expanded; 0 is not known
	GO             string         `json:"go,omitempty"`
	NOGO           string         `json:"no,omitempty"`
}

// FirstValue is a register at the signature.
type FirstValue struct {
	Register string        `json:"r"`
	Value    length.Length `json:"v"`
}

func (FirstOff) Kind() string { return "firstoff" }

func (e FirstOff) Keys() Keys { return Keys{Loop: e.Loop, Part: e.Part, Person: e.Who.Principal} }

// Plugged results by a word each: what a limit gauge did.
const (
	PlugEnters  = "enters"
	PlugRefused = "refused"
)

// PlugBook is what GO and NO-GO said of the part last gauged so.
type PlugBook struct {
	Part string `json:"p,omitempty"`
	GO   string `json:"go,omitempty"`
	NOGO string `json:"no,omitempty"`
}

// Signed is the last first part that was signed since the tool or the set-up.
type Signed struct {
	Part  string `json:"part"`
	Count uint64 `json:"count"`
	Who   string `json:"who"`
}

// Why a first part is not signed.
const (
	declineNotMeasured Code = "first-size"
	declineOutside     Code = "first-out"
	declineGO          Code = "first-go"
	declineNOGO        Code = "first-nogo"
	declineOpen        Code = "first-open"
)

func init() {
	AddWords(map[Code]string{
		declineNotMeasured: "that part has not been measured at every size, or another one was measured after it",
		declineOutside:     "the part is not inside its limits, cut again or measure again",
		declineGO:          "GO has to enter this thread, gauge it and record what it did",
		declineNOGO:        "NO-GO must not enter this thread, gauge it and record what it did",
		declineOpen:        "a change is still open, decide it and cut again",
	})
	decoders[FirstOff{}.Kind()] = as[FirstOff]
}

func (d *decision) signFirst(f SignFirst) {
	l := d.set().Loop(f.Loop)
	code := declineNoLoop
	var sizes []FirstSize
	if l != nil {
		sizes, code = d.s.firstOff(l, f.Part)
	}
	if !f.Who.Role.May(Setter) {
		code = declineRole
	}
	if code != "" {
		d.emit(Declined{What: "first part", Loop: f.Loop, Cause: code, Who: f.Who})
		return
	}
	e := FirstOff{Loop: l.Name, Part: f.Part, Count: d.s.loopBook(l.Name).Sizes[0].Newest.Count, Sizes: sizes, Note: f.Note, Who: f.Who}
	tool, i := d.s.toolOf(l)
	if e.Tool = tool; i >= 0 && d.book().Seen != nil {
		e.Gen = d.book().Seen.Tools[i]
	}
	if d.book().Seen != nil {
		e.Program = d.book().Seen.Program
	}
	for _, name := range l.Registers {
		e.Registers = append(e.Registers, FirstValue{name, d.s.book(name).Value})
	}
	d.emit(e)
}

// firstOff returns what would be signed of a part, or why it cannot be.
func (s *State) firstOff(l *Loop, part string) ([]FirstSize, Code) {
	b := s.loopBook(l.Name)
	var out []FirstSize
	for i := range l.Characteristics {
		ch, z := &l.Characteristics[i], &b.Sizes[i]
		m := z.Newest
		if m == nil || z.Used == 0 || m.Count != z.Last.Count || part == "" || partName(m.Part, m.Count) != part {
			return nil, declineNotMeasured
		}
		x := FirstSize{Characteristic: ch.Name, Limits: ch.Limits, Size: m.Steers()}
		var open Code
		if x.Decision, x.U, open = m.Decision(); open != "" {
			x.U = 0
		}
		if z.Plug.Part == part {
			x.GO, x.NOGO = z.Plug.GO, z.Plug.NOGO
		}
		switch {
		case x.Decision == gauge.NotConforming || !ch.Limits.Contains(x.Size):
			return nil, declineOutside
		case x.GO == PlugRefused || ch.Thread && x.GO == "":
			return nil, declineGO
		case x.NOGO == PlugEnters || ch.Thread && x.NOGO == "":
			return nil, declineNOGO
		}
		out = append(out, x)
	}
	if s.proposalOf(l.Name) != nil {
		return nil, declineOpen
	}
	return out, ""
}

// gauged notes what GO or NO-GO said of a part.
func (b *PlugBook) gauged(e *Plugged) {
	if b.Part != e.Part {
		*b = PlugBook{Part: e.Part}
	}
	word := PlugRefused
	if e.Enters {
		word = PlugEnters
	}
	if e.Plug == PlugGO {
		b.GO = word
	} else {
		b.NOGO = word
	}
}

func (s *State) applyFirstOff(e FirstOff) {
	if i := slices.IndexFunc(s.Ledger.Loops, func(b LoopBook) bool { return b.Name == e.Loop }); i >= 0 {
		s.Ledger.Loops[i].Signed = &Signed{Part: e.Part, Count: e.Count, Who: e.Who.Principal}
	}
}
