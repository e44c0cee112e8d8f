// Package replay answers "what would another tuning have done" from what was
// recorded.
//
// Run reads a machine's stream once, in bounded memory, and lets the production
// core decide every reading anew under other settings (core.Replay), while it
// counts sizes, corrections, prompts and holds of the record, of the replay, and of
// the process had nobody corrected it. It only reads, so it works beside a running
// daemon and on a backup. The same journal and settings give the same report.
package replay

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
)

// Unknown is what no replay can know.
const Unknown = "a replay cannot know how the process and its people would really have answered: it takes every part as it was cut but for the register times its effect, takes over a person's answer only where the same change was asked, and gives every other card its yes"

// Source is the part of a journal that is read.
type Source interface {
	Read(stream string, from uint64, visit func(journal.Record) error) error
	First(stream string) (uint64, error)
	Head(stream string) journal.Head
}

// Options of a replay.
type Options struct {
	From, To int64  // UTC milliseconds, From ≤ At < To; 0 is no bound. What came before From stands as it was decided
	Loop     string // only this one
	Answer   int    // parts that pass before a card gets its yes
}

// Report is what was found, machine by machine in the order of the settings.
type Report struct {
	Loops   []Loop `json:"loops"`
	Unknown string `json:"cannot_know"`
}

// Loop compares one loop as recorded, as replayed, and left alone.
type Loop struct {
	Machine  string    `json:"machine"`
	Name     string    `json:"loop"`
	Mode     core.Mode `json:"mode"` // of the replay
	Note     string    `json:"note,omitempty"`
	First    time.Time `json:"first,omitzero"` // of its readings
	Last     time.Time `json:"last,omitzero"`
	Parts    int       `json:"parts"`    // cut by its program
	Readings int       `json:"readings"` // that were tied to a part
	Minutes  float64   `json:"minutes"`  // of production
	Sizes    []Size    `json:"sizes"`
	Recorded Actions   `json:"recorded"`
	Replayed Actions   `json:"replayed"`
	Same     int       `json:"decided_the_same"` // of Judged
	Judged   int       `json:"judged"`
	Differs  string    `json:"first_difference,omitempty"`

	production clock
}

// ErrSettings means that the core does not accept the settings.
var ErrSettings = errors.New("the settings do not hold together, check the configuration")

var errEnd = errors.New("beyond the time asked for")

// Run replays the recorded streams of these machines under these settings.
func Run(j Source, machines []core.Settings, o Options) (Report, error) {
	report := Report{Loops: []Loop{}, Unknown: Unknown}
	for i := range machines {
		loops, err := replay(j, machines[i], o)
		if err != nil {
			return report, err
		}
		report.Loops = append(report.Loops, loops...)
	}
	return report, nil
}

// run is the replay of one machine.
type run struct {
	o      Options
	r      *core.Replay
	set    core.Settings
	begun  bool
	loops  []*counted
	holds  []core.Held // of the record
	cut    uint64      // count of the newest part
	inside bool        // the time asked for
}

func replay(j Source, set core.Settings, o Options) ([]Loop, error) {
	stream := "machine/" + set.Machine
	x := &run{o: o, r: core.NewReplay(o.Answer), set: set}
	for i := range set.Loops {
		if o.Loop == "" || o.Loop == set.Loops[i].Name {
			x.loops = append(x.loops, newCounted(set.Machine, &set.Loops[i]))
		}
	}
	if len(x.loops) == 0 {
		return nil, nil
	}
	first, err := j.First(stream)
	if err != nil {
		return nil, err
	}
	// Where retention took the beginning there is nothing to fold: the replay starts
	// from nothing, and what comes before From only warms it up.
	if o.From == 0 || first > 1 {
		if err := x.begin(); err != nil {
			return nil, err
		}
	}
	if j.Head(stream).Seq > 0 {
		err = j.Read(stream, first, x.record)
	}
	if err != nil && !errors.Is(err, errEnd) {
		return nil, err
	}
	return x.result(j.Head(stream).Seq > 0), nil
}

func (x *run) begin() error {
	x.begun = true
	if !x.r.Begin(x.set) {
		return fmt.Errorf("machine %s: %w", x.set.Machine, ErrSettings)
	}
	return nil
}

// record takes one record of the stream.
func (x *run) record(r journal.Record) error {
	e, err := core.Decode(r.Kind, r.Body)
	if err != nil {
		return fmt.Errorf("record %d of %s: %w", r.Seq, r.Stream, err)
	}
	if x.o.To != 0 && r.At >= x.o.To {
		return errEnd
	}
	x.inside = x.inside || r.At >= x.o.From
	if x.inside && !x.begun {
		if err := x.begin(); err != nil {
			return err
		}
	}
	x.hold(e)
	again := x.r.Take(r.At, e)
	if c, ok := e.(core.Recorded); ok && c.Count != x.cut {
		x.cut = c.Count
		x.part(c.Cut)
	}
	if x.inside {
		for _, l := range x.loops {
			l.take(x.r, r.At, again)
		}
	}
	return nil
}

// hold follows the holds of the record.
func (x *run) hold(e core.Event) {
	switch e := e.(type) {
	case core.Held:
		x.holds = append(x.holds, e)
	case core.Resumed:
		x.holds = slices.DeleteFunc(x.holds, func(h core.Held) bool { return h.Loop == e.Loop && h.Cause == e.Cause })
	}
}

func (x *run) part(c core.Cut) {
	if !x.inside {
		return
	}
	for _, l := range x.loops {
		if l.of.Program != "" && l.of.Program != c.Program {
			continue
		}
		l.Parts++
		l.production.tick(c.Minute)
		if slices.ContainsFunc(x.holds, func(h core.Held) bool { return h.Loop == "" || h.Loop == l.Name }) {
			l.Recorded.HeldParts++
		}
		if x.r.Held(l.Name) != "" {
			l.Replayed.HeldParts++
		}
	}
}

func (x *run) result(recorded bool) []Loop {
	var out []Loop
	for _, l := range x.loops {
		switch {
		case !recorded:
			l.Note = "nothing is recorded of this machine"
		case !x.begun:
			l.Note = "nothing is recorded in that time"
		case !x.r.Reads(l.of):
			l.Note = "the record has no such register, so nothing can be said of this loop"
		case l.Readings == 0:
			l.Note = "no reading of it was tied to a part"
		}
		out = append(out, l.finish())
	}
	return out
}
