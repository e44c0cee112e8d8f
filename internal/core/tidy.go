package core

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"offsetbridge/internal/compensate"
	"offsetbridge/internal/length"
)

// maxText bounds every text from outside that an event or the state keeps.
const maxText = 200

// bounded makes a name, number or code from outside fit for the journal: valid
// UTF-8, bounded. What is shortened carries a digest of the whole, so that two
// identities that differ stay different.
func bounded(s string) string {
	if len(s) <= maxText && utf8.ValidString(s) {
		return s
	}
	sum := sha256.Sum256([]byte(s))
	return strings.ToValidUTF8(s[:min(len(s), maxText-40)], "?") + "#" + hex.EncodeToString(sum[:8])
}

// boundedAll makes a list of names fit for the journal: a copy, sorted.
func boundedAll(names []string) []string {
	var out []string
	for _, n := range names[:min(len(names), maxDates)] {
		out = append(out, bounded(n))
	}
	slices.Sort(out)
	return out
}

// clip bounds prose that came from outside.
func clip(s string) string {
	return strings.ToValidUTF8(s[:min(len(s), maxText)], "")
}

func (p Person) tidy() Person {
	return Person{Principal: bounded(p.Principal), Role: Role(bounded(string(p.Role))), Auth: bounded(p.Auth)}
}

func (f FromPlant) tidy() FromPlant {
	switch e := f.Event.(type) {
	case Set:
		f.Event = Set{e.Check.tidy()}
	case RingChecked:
		f.Event = RingChecked{e.Check.tidy()}
	case Assigned:
		e.Part, e.Reason, e.Who = bounded(e.Part), clip(e.Reason), e.Who.tidy()
		f.Event = e
	}
	return f
}

func (f FromMachine) tidy() FromMachine {
	if e, ok := f.Event.(RingRead); ok {
		e.Reading, e.Ring, e.Who = e.Reading.tidy(), bounded(e.Ring), bounded(e.Who)
		f.Event = e
	}
	f.Machine = bounded(f.Machine)
	return f
}

// tidy bounds the texts of an input, so that what is folded from the journal is
// what was decided from.
func tidy(f Fact) Fact {
	switch f := f.(type) {
	case Started:
		f.Version = bounded(f.Version)
		return f
	case Configure:
		f.Who = f.Who.tidy()
		return f
	case Link:
		f.Cause = Code(bounded(string(f.Cause)))
		return f
	case Reading:
		return f.tidy()
	case Outcome:
		f.Code = Code(bounded(string(f.Code)))
		return f
	case FromPlant:
		return f.tidy()
	case FromMachine:
		return f.tidy()
	case Dates:
		return Dates{Gauges: boundedAll(f.Gauges), Standards: boundedAll(f.Standards)}
	case Assign:
		f.Machine, f.Characteristic, f.Part = bounded(f.Machine), bounded(f.Characteristic), bounded(f.Part)
		f.Reason, f.Who = clip(f.Reason), f.Who.tidy()
		return f
	case Plug:
		return f.tidy()
	case Renew:
		f.Tool, f.Who = bounded(f.Tool), f.Who.tidy()
		return f
	case PutBack:
		f.Loop, f.Who = bounded(f.Loop), f.Who.tidy()
		return f
	case StepTest:
		f.Loop, f.Register, f.Who = bounded(f.Loop), bounded(f.Register), f.Who.tidy()
		f.Size = max(-length.Max, min(f.Size, length.Max))
		return f
	case SignFirst:
		f.Loop, f.Part, f.Note, f.Who = bounded(f.Loop), bounded(f.Part), clip(f.Note), f.Who.tidy()
		return f
	case HandSet:
		f.Register, f.Who = bounded(f.Register), f.Who.tidy()
		return f
	case HandFirst:
		f.Part, f.Who = bounded(f.Part), f.Who.tidy()
		return f
	case Discard:
		f.Reason, f.Who = clip(f.Reason), f.Who.tidy()
		return f
	case Pair:
		f.Serial = bounded(f.Serial)
		return f
	case Task:
		f.Gauge, f.Characteristic, f.Part, f.Ring = bounded(f.Gauge), bounded(f.Characteristic), bounded(f.Part), bounded(f.Ring)
		f.Then = slices.Clone(f.Then)
		for i := range f.Then {
			f.Then[i] = bounded(f.Then[i])
		}
		f.Who = f.Who.tidy()
		return f
	case Approve:
		f.Who = f.Who.tidy()
		return f
	case Lower:
		f.Digest, f.Who = bounded(f.Digest), f.Who.tidy()
		return f
	case MeasureAgain:
		f.Who = f.Who.tidy()
		return f
	case Reject:
		f.Who = f.Who.tidy()
		return f
	case Hold:
		f.Loop, f.Who = bounded(f.Loop), f.Who.tidy()
		return f
	case Resume:
		f.Loop, f.Who = bounded(f.Loop), f.Who.tidy()
		return f
	}
	return f
}

func (r Reading) tidy() Reading {
	r.Gauge, r.Characteristic, r.Part, r.State = bounded(r.Gauge), bounded(r.Characteristic), bounded(r.Part), bounded(r.State)
	r.Reason, r.Worth = clip(r.Reason), nil // what it is worth is worked out here
	r.Temp, r.TempGauge, r.TempStandard = within(r.Temp, maxKelvin), within(r.TempGauge, maxKelvin), within(r.TempStandard, maxKelvin)
	r.Depth = within(r.Depth, length.Max)
	if r.Manual != nil {
		who := r.Manual.tidy()
		r.Manual = &who
	}
	return r
}

// within brings what is there between −most and most, so that no sum of it
// overflows.
func within[T ~int64](v *T, most T) *T {
	if v == nil {
		return nil
	}
	w := max(-most, min(*v, most))
	return &w
}

// readable returns the sample with its own copy of everything, and false when
// it cannot be one of this machine: too few or too many values, a length no
// register holds, or a tool that could be read before and not now. Such a
// sample counts as none, so that the machine goes stale and nothing is written.
func (d *decision) readable(prev *Seen, m Sample) (Sample, bool) {
	if len(m.Registers) != len(d.set().Registers) || len(m.Tools) != len(d.set().Tools) || m.Counter > math.MaxInt64/2 {
		return m, false
	}
	if slices.ContainsFunc(m.Registers, func(v length.Length) bool { return v > length.Max || v < -length.Max }) {
		return m, false
	}
	m.Tools, m.Registers = slices.Clone(m.Tools), slices.Clone(m.Registers)
	for i, t := range m.Tools {
		m.Tools[i] = max(t, -1)
		if t < 0 && prev != nil && prev.Tools[i] >= 0 {
			return m, false
		}
	}
	m.Program, m.Serial = bounded(m.Program), bounded(m.Serial)
	return m, true
}

// maxEffect keeps every product of an effect and a length away from overflow.
const maxEffect Effect = 5000

// sound reports whether the settings hold together: every name that is used is
// there once, every register has one loop (hazard row 36), and no number can
// overflow. The configuration's own check says what is wrong in words; this one
// keeps the core total whatever it is given.
func (s *Settings) sound() bool {
	if !finite(s) || !unique(s.Tools) || len(s.Registers) > maxColumns || len(s.Tools) > maxColumns || len(s.Loops) > maxColumns {
		return false
	}
	var names, nodes, owned, loops, features []string
	for _, r := range s.Registers {
		names, nodes = append(names, r.Name), append(nodes, r.Node)
		if r.Step <= 0 || r.Step > length.Max || !ordered(r.Band) {
			return false
		}
	}
	for i := range s.Loops {
		l := &s.Loops[i]
		loops, owned = append(loops, l.Name), append(owned, l.Registers...)
		for _, c := range l.Characteristics {
			features = append(features, c.Name)
		}
		if !s.soundLoop(l) || s.ByHand && l.Mode == Auto {
			return false
		}
	}
	return s.soundTrust() && unique(names) && unique(nodes) && unique(owned) && unique(loops) && unique(features)
}

// maxColumns bounds registers, tools and loops of one machine.
const maxColumns = 1024

func (s *Settings) soundLoop(l *Loop) bool {
	b := &l.Bounds
	switch {
	case l.Name == "" || len(l.Characteristics) == 0 || len(l.Effects) != len(l.Characteristics):
		return false
	case b.AutoStep < 0 || b.AutoStep > b.OperatorStep || b.OperatorStep > b.SetterStep || b.SetterStep > length.Max:
		return false
	case b.Travel < 0 || b.Travel > length.Max || l.DeadBand < 0 || l.DeadBand > length.Max:
		return false
	case len(l.Registers) > compensate.MostRegisters || len(l.Characteristics) > compensate.MostCharacteristics:
		return false
	case slices.ContainsFunc(l.Registers, func(r string) bool { return s.Register(r) == nil }):
		return false
	case l.Mode != Observe && slices.ContainsFunc(l.Registers, func(r string) bool { return s.Register(r).Tool != s.Register(l.Registers[0]).Tool }):
		return false // a change is bound to one tool
	}
	for i, c := range l.Characteristics {
		if !c.soundSeveral() || len(l.Effects[i]) != len(l.Registers) || !ordered(c.Plausible) || !ordered(c.Limits) || c.Aim.Abs() > length.Max {
			return false
		}
		if slices.ContainsFunc(l.Effects[i], func(e Effect) bool { return e > maxEffect || e < -maxEffect }) {
			return false
		}
	}
	return true
}

func ordered(r length.Range) bool {
	return r.Low <= r.High && r.Low >= -length.Max && r.High <= length.Max
}

func unique(names []string) bool {
	sorted := slices.Sorted(slices.Values(names))
	return len(slices.Compact(sorted)) == len(names)
}

// finite reports whether the settings encode and read back as they are: finite
// numbers and valid UTF-8 only.
func finite(s *Settings) bool {
	b, err := json.Marshal(s)
	return err == nil && !bytes.Contains(b, []byte(`\ufffd`))
}
