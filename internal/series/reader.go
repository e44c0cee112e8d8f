package series

import (
	"errors"
	"fmt"
	"strconv"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
)

// remembered is how many cuts wait for their reading; one that is read later says
// nothing of its tool and register.
const remembered = 4096

// cut is what is remembered of one.
type cut struct {
	count     uint64
	name      string
	life, age int
	gen       int64
	command   length.Length
	tied      bool
	config    int
}

// reader is one pass over a machine's stream.
type reader struct {
	o     Options
	visit func(*Part)
	basis Basis

	set     *core.Settings
	loop    *core.Loop
	at      int // of the characteristic in its loop
	digest  string
	config  int
	tool    string
	column  int // of the tool
	life    int
	age     int
	gen     int64
	cuts    []cut // a ring, by count
	oldest  int
	holds   []core.Held
	forward *length.Length // from aim by what the process does itself, as expected last

	pending Part
	held    bool   // pending is a part
	last    uint64 // count of the part before it
	acted   length.Length
	acts    bool
	under   int // settings of the last part
}

var errEnd = errors.New("beyond the time asked for")

func (x *reader) run(j Source) (*Basis, error) {
	name := stream + x.basis.Machine
	x.basis.Head = j.Head(name)
	first, err := j.First(name)
	if err != nil {
		return nil, err
	}
	if x.set != nil {
		x.configured(*x.set)
	}
	if x.basis.Head.Seq > 0 {
		err = j.Read(name, first, x.record)
	}
	if err != nil && !errors.Is(err, errEnd) {
		return nil, err
	}
	if x.set == nil {
		return nil, fmt.Errorf("%w: machine %s, give its configuration", ErrSettings, x.basis.Machine)
	}
	x.pass()
	x.basis.Lives = x.life
	if x.basis.Loop == "" {
		return nil, fmt.Errorf("%w: %q at %s", ErrCharacteristic, x.o.Characteristic, x.basis.Machine)
	}
	return &x.basis, nil
}

// wanted are the events that say something of a series.
var wanted = map[string]bool{
	core.Configured{}.Kind(): true, core.Recorded{}.Kind(): true, core.ToolChanged{}.Kind(): true, core.Judged{}.Kind(): true,
	core.Held{}.Kind(): true, core.Resumed{}.Kind(): true, core.Checked{}.Kind(): true,
}

func (x *reader) record(r journal.Record) error {
	if x.o.To != 0 && r.At >= x.o.To {
		return errEnd
	}
	if !wanted[r.Kind] {
		return nil
	}
	e, err := core.Decode(r.Kind, r.Body)
	if err != nil {
		return fmt.Errorf("record %d of %s: %w", r.Seq, r.Stream, err)
	}
	switch e := e.(type) {
	case core.Configured:
		x.configured(e.Settings)
	case core.Recorded:
		x.cut(&e.Cut)
	case core.ToolChanged:
		if x.loop != nil && e.Tool == x.tool && e.Who != nil {
			x.renew(e.Last)
		}
	case core.Held:
		x.holds = append(x.holds, e)
	case core.Resumed:
		x.resumed(e)
	case core.Checked:
		x.basis.check(r.At, e)
	case core.Judged:
		x.judged(&r, &e)
	}
	return nil
}

// configured takes settings. Whether the loop's own changed is told by their digest.
func (x *reader) configured(s core.Settings) {
	x.set = &s
	x.loop, x.at = s.Find(x.o.Characteristic)
	if x.loop == nil {
		return
	}
	x.basis.Settings, x.basis.Loop, x.basis.Demo = s, x.loop.Name, s.Demo
	if d := s.Digest(x.loop.Name); d != x.digest {
		x.digest = d
		x.basis.Digest = d
		x.config++
		x.forward = nil
	}
	x.tool, x.column = "", -1
	if r := s.Register(x.loop.Registers[0]); r != nil {
		x.tool = r.Tool
	}
	for i, t := range s.Tools {
		if t == x.tool {
			x.column = i
		}
	}
}

func (x *reader) resumed(e core.Resumed) {
	kept := x.holds[:0]
	for _, h := range x.holds {
		if h.Loop != e.Loop || h.Cause != e.Cause {
			kept = append(kept, h)
		}
	}
	x.holds = kept
}

func (x *reader) off() bool {
	if x.loop.Mode == core.Observe {
		return true
	}
	for _, h := range x.holds {
		if h.Loop == "" || h.Loop == x.loop.Name {
			return true
		}
	}
	return false
}

// cut remembers a cut, and begins a life where the control reports another tool.
func (x *reader) cut(c *core.Cut) {
	if x.loop == nil || x.loop.Program != "" && c.Program != x.loop.Program {
		return
	}
	k := cut{count: c.Count, name: c.Serial, config: x.config}
	if k.name == "" {
		k.name = strconv.FormatUint(c.Count, 10)
	}
	if x.column >= 0 && x.column < len(c.Tools) {
		k.gen = c.Tools[x.column]
	}
	if x.life == 0 || k.gen != x.gen && k.gen >= 0 {
		x.life++
		x.age = 0
		x.gen = k.gen
		x.forward = nil
	}
	x.age++
	k.life, k.age = x.life, x.age
	k.tied = c.Doubt == "" && len(c.Registers) == len(x.set.Registers)
	for i, name := range x.loop.Registers {
		for n := range x.set.Registers {
			if k.tied && x.set.Registers[n].Name == name {
				k.command += x.loop.Effects[x.at][i].Of(c.Registers[n])
			}
		}
	}
	if len(x.cuts) < remembered {
		x.cuts = append(x.cuts, k)
		return
	}
	x.cuts[x.oldest] = k
	x.oldest = (x.oldest + 1) % remembered
}

// renew begins a life because a person said so: cuts after last belong to it.
func (x *reader) renew(last uint64) {
	x.life++
	x.age = 0
	x.forward = nil
	for i := range x.cuts {
		k := &x.cuts[(x.oldest+i)%len(x.cuts)]
		if k.count > last {
			x.age++
			k.life, k.age = x.life, x.age
		}
	}
}

func (x *reader) find(count uint64) *cut {
	for i := len(x.cuts) - 1; i >= 0; i-- {
		if k := &x.cuts[(x.oldest+i)%len(x.cuts)]; k.count == count {
			return k
		}
	}
	return nil
}

// judged takes a reading that is a size of this characteristic.
func (x *reader) judged(r *journal.Record, e *core.Judged) {
	if x.loop == nil || e.Reading.Characteristic != x.o.Characteristic {
		return
	}
	inside := r.At >= x.o.From
	why := e.Admit
	if why == "" && e.Gather == "" && e.Count == 0 {
		why = e.Attribute
	}
	if why != "" {
		if inside {
			x.basis.Left[why]++
		}
		return
	}
	if e.Gather != "" { // one of several readings of a measurement that goes on
		return
	}
	ch := &x.loop.Characteristics[x.at]
	p := Part{
		At: r.At, Seq: r.Seq, Count: e.Count, Name: strconv.FormatUint(e.Count, 10), Gauge: e.Reading.Gauge, Size: e.Reading.Size(),
		Aim: ch.Aim, Limits: ch.Limits, Tool: x.tool, Off: x.off(), Recut: e.Recut, Config: x.config, Life: x.life,
	}
	if e.Whole != nil {
		p.Size = e.Whole.Steers
	}
	if k := x.find(e.Count); k != nil {
		p.Name, p.Life, p.Age, p.Command, p.Tied = k.name, k.life, k.age, k.command, k.tied
	}
	self := p.Size - p.Aim - p.Command
	if x.forward != nil && p.Tied && e.Attribute == "" && !e.Regauge {
		p.Error, p.Expect = self-*x.forward, true
	}
	if e.Attribute == "" && e.Noise != 0 { // the estimate was asked
		drift := e.Drift
		x.forward = &drift
	}
	if inside {
		x.take(p)
	}
}

// take lets the part before it pass, unless this is the same one once more.
func (x *reader) take(p Part) {
	if x.held && (x.pending.Count == p.Count || p.Recut && p.Name == x.pending.Name) {
		x.basis.Again++
		if x.pending.Count == p.Count {
			p.Error, p.Expect = x.pending.Error, x.pending.Expect
		}
		x.pending = p
		return
	}
	x.pass()
	x.pending, x.held = p, true
}

// pass hands on the part that waits.
func (x *reader) pass() {
	if !x.held {
		return
	}
	p := &x.pending
	p.Next = x.last != 0 && p.Count == x.last+1
	x.last = p.Count
	b := &x.basis
	if b.Parts == 0 {
		b.First = p.At
	}
	if p.Config != x.under {
		b.Configs++
		x.under = p.Config
	}
	b.Parts++
	b.Last = p.At
	b.Gauges[p.Gauge]++
	if p.Tied {
		if x.acts && p.Command != x.acted {
			b.Corrections++
		}
		x.acted, x.acts = p.Command, true
	}
	x.held = false
	x.visit(p)
}
