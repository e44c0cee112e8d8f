package report

import (
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
	"offsetbridge/internal/series"
)

// HeadOf is the end of a stream as it stands on a document.
func HeadOf(h journal.Head) Head { return Head{h.Stream, h.Seq, hex.EncodeToString(h.Hash[:])} }

// Simulated is said of figures that no real machine made.
const Simulated = "the machine is a simulated one: these figures say nothing of any real machine"

// factsOf says what the parts of a series rest on: machine, loop and its bounds, limits
// and their revision, gauge, standard, setting, time.
func factsOf(b *series.Basis, unit length.Unit) []Fact {
	var out []Fact
	say := func(name, form string, args ...any) { out = append(out, Fact{name, fmt.Sprintf(form, args...)}) }
	say("machine", "%s (%s)", b.Machine, b.Settings.Identity)
	loop, at := b.Settings.Find(b.Characteristic)
	if loop == nil {
		return out
	}
	ch := &loop.Characteristics[at]
	size := func(l length.Length) string { return l.In(unit) + " " + string(unit) }
	say("characteristic", "%s, limits %s to %s, aim %s", ch.Name, ch.Limits.Low.In(unit), size(ch.Limits.High), size(ch.Aim))
	say("loop", "%s, %s; automatic steps up to %s, dead band %s, damping %g, registers %s", loop.Name, loop.Mode,
		size(loop.Bounds.AutoStep), size(loop.DeadBand), loop.Damping, strings.Join(loop.Registers, ", "))
	revision := b.Digest
	if b.Configs > 1 {
		revision += fmt.Sprintf(", the last of %d in this time", b.Configs)
	}
	say("limits and settings, revision", "%s", revision)
	if loop.Program != "" {
		say("program", "%s", loop.Program)
	}
	if b.Parts > 0 {
		say("parts measured", "%d, %s to %s UTC", b.Parts, moment(b.First), moment(b.Last))
	}
	for _, g := range slices.Sorted(maps.Keys(b.Gauges)) {
		say("gauge", "%s, %s", g, gaugeInWords(b, g, unit))
	}
	if b.Corrections > 0 {
		say("register changes between the parts", "%d", b.Corrections)
	}
	return out
}

func gaugeInWords(b *series.Basis, gauge string, unit length.Unit) string {
	words := count(b.Gauges[gauge], "part")
	c := b.LastSetting(gauge)
	if c == nil {
		return words + "; no setting in this record"
	}
	words += fmt.Sprintf("; last set %s UTC on %s", moment(c.At), c.Check.Standard)
	for i := range b.Settings.Gauges {
		t := &b.Settings.Gauges[i]
		for _, r := range t.Standards {
			if t.Gauge == gauge && r.Name == c.Check.Standard {
				words += fmt.Sprintf(" (certified %s %s)", r.Value.In(unit), unit)
			}
		}
	}
	return words + ", found " + c.Check.AsFound.Signed(length.UM, 1)
}

func moment(ms int64) string { return time.UnixMilli(ms).UTC().Format("2006-01-02 15:04") }

// notesOf says what was left out, and what makes the figures doubtful.
func notesOf(b *series.Basis) []string {
	var out []string
	if b.Demo {
		out = append(out, Simulated)
	}
	if b.Configs > 1 {
		out = append(out, fmt.Sprintf("limits or settings changed %d times in this time: the sizes are judged by the last", b.Configs-1))
	}
	if b.Suspects > 0 {
		out = append(out, fmt.Sprintf("a check found a gauge of this machine off: %d readings rest on it, see journal export --gauge", b.Suspects))
	}
	total := 0
	var why []string
	for _, c := range slices.SortedFunc(maps.Keys(b.Left), func(x, y core.Code) int {
		if d := b.Left[y] - b.Left[x]; d != 0 {
			return d
		}
		return strings.Compare(string(x), string(y))
	}) {
		total += b.Left[c]
		why = append(why, fmt.Sprintf("%d [%s]", b.Left[c], c))
	}
	if total > 0 {
		out = append(out, fmt.Sprintf("%s are no size of a part and are left out: %s", count(total, "reading"), strings.Join(why, ", ")))
	}
	return out
}
