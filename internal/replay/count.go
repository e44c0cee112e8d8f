package replay

import (
	"fmt"
	"math"
	"slices"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// Size compares how one characteristic came out. Of every part counts the last
// reading that was tied to it, chips and all, each about the aim and in the limits
// that it was steered by.
type Size struct {
	Characteristic string `json:"characteristic"`
	Recorded       Spread `json:"recorded"`
	Replayed       Spread `json:"replayed"`
	Nothing        Spread `json:"nothing"` // had nobody changed a register
}

// Spread is how sizes lie about their aim.
type Spread struct {
	Parts   int           `json:"parts"`
	RMS     float64       `json:"rms_um"`
	Largest length.Length `json:"largest_from_aim_nm"`
	Outside int           `json:"outside_limits"`

	square float64 // µm²
}

func (s *Spread) add(size, aim length.Length, limits length.Range) {
	d := size - aim
	s.Parts++
	s.square += d.Micrometres() * d.Micrometres()
	s.RMS = math.Round(1000*math.Sqrt(s.square/float64(s.Parts))) / 1000
	if d.Abs() > s.Largest.Abs() {
		s.Largest = d
	}
	if !limits.Contains(size) {
		s.Outside++
	}
}

// Actions are what a loop did.
type Actions struct {
	Corrections int      `json:"corrections"` // registers written and read back
	Operator    int      `json:"prompts_operator"`
	Setter      int      `json:"prompts_setter"`
	Per100      float64  `json:"prompts_per_100_parts"`
	PerShift    *float64 `json:"prompts_per_shift,omitempty"` // of 8 h; absent where the record is no production
	Holds       int      `json:"holds"`
	HeldParts   int      `json:"parts_on_hold"`
	Cause       string   `json:"first_hold,omitempty"`
}

// Prompts returns how often somebody had to agree.
func (a Actions) Prompts() int { return a.Operator + a.Setter }

func (a *Actions) take(loop string, e core.Event) {
	switch e := e.(type) {
	case core.Proposed:
		switch {
		case e.Loop != loop:
		case e.Need == core.Operator:
			a.Operator++
		case e.Need != "":
			a.Setter++
		}
	case core.Concluded:
		if e.Loop == loop && e.Result == core.Applied {
			a.Corrections++
		}
	case core.Held:
		if e.Loop == "" || e.Loop == loop {
			if a.Holds++; a.Holds == 1 {
				a.Cause = string(e.Cause)
			}
		}
	}
}

// shiftMinutes is what a shift is taken for.
const shiftMinutes = 8 * 60

// fastest is the shortest cycle that is taken for production, in minutes: a record
// made faster comes from a simulation, and a shift of it says nothing.
const fastest = 2.0 / 60

func (a *Actions) rate(parts int, minutes float64) {
	if parts == 0 {
		return
	}
	a.Per100 = math.Round(1000*float64(a.Prompts())/float64(parts)) / 10
	if minutes/float64(parts) >= fastest {
		v := math.Round(10*float64(a.Prompts())*shiftMinutes/minutes) / 10
		a.PerShift = &v
	}
}

// clock adds up the minutes in which parts were made.
type clock struct {
	last    float64
	known   bool
	minutes float64
}

// pause is the gap between two parts beyond which nobody was producing.
const pause = 60.0

func (c *clock) tick(minute float64) {
	if gap := minute - c.last; c.known && gap > 0 && gap <= pause {
		c.minutes += gap
	}
	c.last, c.known = minute, true
}

// counted is one loop being counted.
type counted struct {
	Loop
	of    *core.Loop
	parts []part // the newest reading of every characteristic
}

// part is the size of one part, until another one comes.
type part struct {
	count                   uint64
	known                   bool
	recorded, replay, alone length.Length
	aim, newAim             length.Length
	limits, newLimits       length.Range
}

func newCounted(machine string, l *core.Loop) *counted {
	c := &counted{Loop: Loop{Machine: machine, Name: l.Name, Mode: l.Mode}, of: l}
	for _, ch := range l.Characteristics {
		c.Sizes = append(c.Sizes, Size{Characteristic: ch.Name})
		c.parts = append(c.parts, part{})
	}
	return c
}

// take counts what one record says, and what it led to in the replay.
func (c *counted) take(r *core.Replay, at int64, a core.Again) {
	c.Recorded.take(c.Name, a.Recorded)
	for _, e := range a.Events {
		c.Replayed.take(c.Name, e)
	}
	j, ok := a.Recorded.(core.Judged)
	i := slices.IndexFunc(c.of.Characteristics, func(ch core.Characteristic) bool { return ch.Name == j.Reading.Characteristic })
	if !ok || i < 0 {
		return
	}
	c.compare(&j, a.Events)
	if j.Admit != "" || j.Attribute != "" || !a.Sized {
		return
	}
	c.Readings++
	if c.First.IsZero() {
		c.First = time.UnixMilli(at).UTC()
	}
	c.Last = time.UnixMilli(at).UTC()
	ch := &c.of.Characteristics[i]
	p := part{
		count: j.Count, known: true, recorded: j.Reading.Value, replay: a.Size, alone: a.Alone,
		aim: j.Reading.Value - j.Deviation, newAim: ch.Aim, limits: ch.Limits, newLimits: ch.Limits,
	}
	if l, k := r.Recorded().Find(ch.Name); l != nil {
		p.limits = l.Characteristics[k].Limits
	}
	if c.parts[i].count != p.count {
		if j.Regauge {
			return // of a part that is counted already
		}
		c.commit(i)
	}
	c.parts[i] = p
}

func (c *counted) commit(i int) {
	p, s := &c.parts[i], &c.Sizes[i]
	if !p.known {
		return
	}
	s.Recorded.add(p.recorded, p.aim, p.limits)
	s.Replayed.add(p.replay, p.newAim, p.newLimits)
	s.Nothing.add(p.alone, p.newAim, p.newLimits)
	p.known = false
}

// compare notes whether a reading was decided as it was recorded.
func (c *counted) compare(j *core.Judged, events []core.Event) {
	c.Judged++
	for _, e := range events {
		if k, ok := e.(core.Judged); ok && k.Reading.Characteristic == j.Reading.Characteristic && k.Reading.Sequence == j.Reading.Sequence {
			if decided(j) == decided(&k) {
				c.Same++
			} else if c.Differs == "" {
				c.Differs = fmt.Sprintf("part %d: recorded %s, replayed %s", j.Count, decided(j), decided(&k))
			}
			return
		}
	}
	if c.Differs == "" {
		c.Differs = fmt.Sprintf("part %d: recorded %s, not judged in the replay", j.Count, decided(j))
	}
}

// decided says in a few words what became of a reading.
func decided(j *core.Judged) string {
	for _, stopped := range []core.Code{j.Admit, j.Attribute, j.Estimate, j.Propose} {
		if stopped != "" && stopped != "step" {
			return string(stopped)
		}
	}
	s := string(j.Route)
	if j.Need != "" {
		s += " for " + string(j.Need) + " (" + string(j.Bound) + ")"
	}
	for _, m := range j.Moves {
		s += fmt.Sprintf(" %s %s → %s", m.Register, m.Old.Signed(length.MM, 4), m.New.Signed(length.MM, 4))
	}
	return s
}

func (c *counted) finish() Loop {
	for i := range c.parts {
		c.commit(i)
	}
	c.Minutes = math.Round(10*c.production.minutes) / 10
	c.Recorded.rate(c.Parts, c.production.minutes)
	c.Replayed.rate(c.Parts, c.production.minutes)
	return c.Loop
}
