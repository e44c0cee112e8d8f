package core

import (
	"cmp"
	"slices"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// The plugs, or rings, of a limit gauge.
const (
	PlugGO   = "GO"
	PlugNOGO = "NO-GO"
)

// Plug is the result of a GO or a NO-GO gauge on a part: a reading of its own,
// without a number. It accepts no part here; whoever gauged it does.
type Plug struct {
	Characteristic string         `json:"characteristic"`
	Part           string         `json:"part"`
	Gauge          string         `json:"gauge,omitempty"`
	Plug           string         `json:"plug"` // PlugGO or PlugNOGO
	Enters         bool           `json:"enters"`
	Size           *length.Length `json:"size,omitempty"` // last measured of that part, nil when it was not
	Reason         string         `json:"reason,omitempty"`
	Who            Person         `json:"who"`
}

// Plugged: a GO or NO-GO result was recorded, with what it teaches.
type Plugged struct {
	Loop    string         `json:"l"`
	Name    string         `json:"c"` // characteristic
	Part    string         `json:"p"`
	Gauge   string         `json:"g,omitempty"`
	Plug    string         `json:"k"`
	Enters  bool           `json:"e"`
	Size    *length.Length `json:"v,omitempty"`
	Learned *gauge.Virtual `json:"vl,omitempty"` // after it, where it taught something
	Aim     *length.Length `json:"am,omitempty"` // advice, where it differs from the aim in force
	Advice  Code           `json:"ad,omitempty"`
	Reason  string         `json:"t,omitempty"`
	Who     Person         `json:"w"`
}

func (Plug) fact() {}

func (Plugged) Kind() string { return "plug" }

func (e Plugged) Keys() Keys {
	return Keys{Loop: e.Loop, Part: e.Part, Gauge: e.Gauge, Person: e.Who.Principal}
}

// VirtualBook is what GO gauging has taught of one characteristic.
type VirtualBook struct {
	Name    string        `json:"name"`
	Learned gauge.Virtual `json:"learned"`
}

// What a GO or NO-GO result says.
const (
	adviceAim   Code = "plug-aim"
	adviceNone  Code = "plug-form"
	adviceScrap Code = "plug-nogo"
)

// plug takes a GO or NO-GO result. It moves no limit and no register: what it
// teaches is advice for the engineer who owns the aim.
func (d *decision) plug(f Plug) {
	l, c := d.set().Find(f.Characteristic)
	decline := func(code Code) { d.emit(Declined{What: "plug", Cause: code, Who: f.Who}) }
	switch {
	case !f.Who.Role.May(Operator):
		decline(declineRole)
		return
	case l == nil:
		decline(codeNoCharacteristic)
		return
	case f.Part == "" || f.Plug != PlugGO && f.Plug != PlugNOGO:
		decline(codeNoPart)
		return
	}
	e := Plugged{
		Loop: l.Name, Name: f.Characteristic, Part: f.Part, Gauge: f.Gauge, Plug: f.Plug, Enters: f.Enters, Size: f.Size,
		Reason: f.Reason, Who: f.Who,
	}
	ch := &l.Characteristics[c]
	switch {
	case f.Plug == PlugNOGO && f.Enters:
		e.Advice = adviceScrap
	case f.Plug == PlugGO && f.Size != nil:
		v := d.s.learned(f.Characteristic).Learn(*f.Size, ch.Limits, ch.Internal, f.Enters)
		e.Learned = &v
		aim, ok := v.Aim(ch.Limits, ch.Internal)
		switch {
		case f.Enters || v.Denied == 0:
		case !ok:
			e.Advice = adviceNone
		case aim != ch.Aim && (aim > ch.Aim) == ch.Internal: // only ever away from where it was refused
			e.Aim, e.Advice = &aim, adviceAim
		}
	}
	d.emit(e)
}

// learned returns what is known of a characteristic's form.
func (s *State) learned(name string) gauge.Virtual {
	i, ok := slices.BinarySearchFunc(s.Ledger.Virtual, name, func(v VirtualBook, n string) int { return cmp.Compare(v.Name, n) })
	if !ok {
		return gauge.Virtual{}
	}
	return s.Ledger.Virtual[i].Learned
}

func (s *State) applyPlugged(e Plugged) {
	if l, c := s.Ledger.Settings.Find(e.Name); l != nil {
		s.loopBook(l.Name).Sizes[c].Plug.gauged(&e)
	}
	if e.Learned == nil {
		return
	}
	list := &s.Ledger.Virtual
	find := func() (int, bool) {
		return slices.BinarySearchFunc(*list, e.Name, func(v VirtualBook, n string) int { return cmp.Compare(v.Name, n) })
	}
	i, ok := find()
	if !ok {
		if len(*list) >= maxColumns { // of characteristics that are configured no more
			*list = slices.DeleteFunc(*list, func(v VirtualBook) bool { l, _ := s.Ledger.Settings.Find(v.Name); return l == nil })
			i, _ = find()
		}
		*list = slices.Insert(*list, i, VirtualBook{Name: e.Name})
	}
	(*list)[i].Learned = *e.Learned
}

func (f Plug) tidy() Plug {
	f.Characteristic, f.Part, f.Gauge, f.Plug = bounded(f.Characteristic), bounded(f.Part), bounded(f.Gauge), bounded(f.Plug)
	f.Reason, f.Who = clip(f.Reason), f.Who.tidy()
	if f.Size != nil {
		v := *f.Size
		if f.Size = &v; v > length.Max || v < -length.Max {
			f.Size = nil // no size of anything
		}
	}
	return f
}

func init() {
	words[adviceAim] = "GO was refused inside the limits: the form takes part of the tolerance, an engineer may move the aim; the limits stay"
	words[adviceNone] = "GO was refused where the form leaves nothing of the tolerance: no offset cures it, look at the form"
	words[adviceScrap] = "NO-GO entered: the part is beyond its least-material limit by that gauge, whatever the number says"
}
