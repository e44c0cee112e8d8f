// Package series reads out of the journal what became of the parts of one
// characteristic: one size a part, tied to the register values, the tool and the
// settings that it was cut under.
//
// Read visits the parts of one machine's stream in the order in which they were
// measured, in memory that does not grow with the record, and tells what was left
// out and why. It decides nothing and writes nothing, so it works beside a running
// daemon and on a backup, and the same journal gives the same series.
//
// Of a part that was measured again, or cut again and measured next, the last size
// counts: it is the one that the part left with.
package series

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
)

// Source is the part of a journal that is read.
type Source interface {
	Read(stream string, from uint64, visit func(journal.Record) error) error
	First(stream string) (uint64, error)
	Head(stream string) journal.Head
	Heads() []journal.Head
}

// Options say which parts are wanted.
type Options struct {
	Machine        string // empty: the one that measures the characteristic
	Characteristic string
	From, To       int64 // UTC milliseconds of the reading, From ≤ At < To; 0 is no bound
	// Known are settings to start from where retention took the record of them.
	Known []core.Settings
}

// Part is one part as it was measured last.
type Part struct {
	At      int64  // UTC milliseconds of the reading
	Seq     uint64 // of its record in the machine's stream
	Name    string // serial, or the machine's count
	Count   uint64 // the machine's number of the cut
	Gauge   string
	Size    length.Length // that steers, at 20 °C where that is configured
	Aim     length.Length
	Limits  length.Range
	Command length.Length // Σ effect · register in force while it was cut
	Tied    bool          // Command is known
	Error   length.Length // of its first reading: from aim − what the loop expected before it
	Expect  bool          // Error is known
	Tool    string        // of the loop's first register
	Life    int           // which life of that tool in this record, from 1
	Age     int           // parts of the loop's program that this life had cut, this one included
	Next    bool          // the cut before it was measured too: they are neighbours
	Off     bool          // the loop could change nothing: observe, or on hold
	Recut   bool          // not the first cut of that part
	Config  int           // which settings of the loop, from 1
}

// The reasons why nothing can be read.
var (
	ErrCharacteristic = errors.New("no such characteristic in the record")
	ErrGauge          = errors.New("no such gauge in the record")
	ErrSettings       = errors.New("the record does not hold the settings any more")
)

// Machines returns the machines that have a stream.
func Machines(j Source) []string {
	var out []string
	for _, h := range j.Heads() {
		if name, ok := strings.CutPrefix(h.Stream, stream); ok {
			out = append(out, name)
		}
	}
	return out
}

const stream = "machine/"

// Read visits the parts and returns what they rest on.
func Read(j Source, o Options, visit func(*Part)) (*Basis, error) {
	machine := o.Machine
	if machine == "" {
		found, err := Find(j, o.Characteristic, o.Known)
		if err != nil {
			return nil, err
		}
		if len(found) > 1 {
			return nil, fmt.Errorf("%q is measured at %s, name one machine", o.Characteristic, strings.Join(found, " and "))
		}
		machine = found[0]
	}
	x := &reader{o: o, visit: visit, basis: Basis{Machine: machine, Characteristic: o.Characteristic, Left: map[core.Code]int{}, Gauges: map[string]int{}}}
	for i := range o.Known {
		if o.Known[i].Machine == machine {
			x.set = &o.Known[i]
		}
	}
	return x.run(j)
}

// Find returns the machines that measure a characteristic, as their first accepted
// settings in the record or the known ones say.
func Find(j Source, characteristic string, known []core.Settings) (machines []string, err error) {
	var all []string
	for _, m := range Machines(j) {
		names, err := Characteristics(j, m, known)
		if err != nil {
			return nil, err
		}
		if slices.Contains(names, characteristic) {
			machines = append(machines, m)
		}
		for _, n := range names {
			all = append(all, strconv.Quote(n))
		}
	}
	if len(machines) == 0 {
		return nil, fmt.Errorf("%w: %q, it has %s", ErrCharacteristic, characteristic, strings.Join(all, ", "))
	}
	return machines, nil
}

var errFound = errors.New("found")

// Characteristics returns what a machine measures, by the first settings in its
// record.
func Characteristics(j Source, machine string, known []core.Settings) ([]string, error) {
	var set *core.Settings
	for i := range known {
		if known[i].Machine == machine {
			set = &known[i]
		}
	}
	first, err := j.First(stream + machine)
	if err != nil {
		return nil, err
	}
	err = j.Read(stream+machine, first, func(r journal.Record) error {
		if r.Kind != (core.Configured{}).Kind() {
			return nil
		}
		e, err := core.Decode(r.Kind, r.Body)
		if err != nil {
			return err
		}
		c, _ := e.(core.Configured)
		set = &c.Settings
		return errFound
	})
	if err != nil && !errors.Is(err, errFound) {
		return nil, err
	}
	var out []string
	if set != nil {
		for i := range set.Loops {
			for k := range set.Loops[i].Characteristics {
				out = append(out, set.Loops[i].Characteristics[k].Name)
			}
		}
	}
	return out, nil
}
