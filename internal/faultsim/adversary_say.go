package faultsim

import (
	"fmt"
	"math"
	"runtime"
	"runtime/debug"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// say sends one message of any content.
func (a *adversary) say() {
	l := &a.set.Loops[a.r.IntN(len(a.set.Loops))]
	c := &l.Characteristics[0]
	use := c.Gauges[0]
	m := a.b.mapping(use.Gauge, use.Identity)
	topic := "cell/mill-1/" + use.Gauge
	retained := a.r.IntN(30) == 0
	res := m.Parse(topic, a.payload(c, use.Gauge), retained)
	a.n.add("work/messages")
	r, ok := res.Fact.(core.Reading)
	if !ok {
		a.n.add("refusal/intake")
		return
	}
	r.Machine = "mill-1"
	a.give(r)
}

// payload is mostly a well-formed lie, made to drive the loop as far as it goes.
func (a *adversary) payload(c *core.Characteristic, g string) []byte {
	half := c.Tolerance() / 2
	u := length.Length(a.r.Int64N(int64(2 * um)))
	switch a.way {
	case 0: // always the same way out
		a.size[g] = half/3 + u
	case 1:
		a.size[g] = -half/3 - u
	case 2: // further and further
		a.size[g] += pick(a.r, um, 2*um, 5*um)
	case 3: // to and fro
		a.size[g] = pick(a.r, half, -half) * length.Length(a.r.IntN(100)) / 100
	case 4: // as if the register had no effect, or the other one
		a.size[g] = length.Length(a.r.IntN(3)-1)*half/2 + a.regs[0]
	case 5:
		a.size[g] = length.Length(a.r.Int64N(int64(1200*um))) - 600*um
	}
	value := strconv.FormatFloat(math.Round(float64(c.Aim+a.size[g])/100)/10_000, 'f', 4, 64)
	part := strconv.FormatUint(a.count, 10)
	a.seq[g]++
	n := strconv.FormatUint(a.seq[g], 10)
	unit, state, name := "mm", "production", c.Name
	switch a.r.IntN(24) {
	case 0:
		part = pick(a.r, "", "-1", "x", strconv.FormatUint(a.r.Uint64(), 10), strconv.FormatUint(a.count+uint64(a.r.IntN(9)), 10))
	case 1:
		part = strconv.FormatUint(a.count-uint64(a.r.IntN(4)), 10)
	case 2:
		n = pick(a.r, "0", n, "18446744073709551615", "-1", "1.5", strconv.FormatUint(a.seq[g]/2, 10))
	case 3:
		value = pick(a.r, "0", "-25.0", "1e3", "25,01", "99.9999", "25.00000000001", "NaN", "\"25.01\"", "999999999999999999999")
	case 4:
		unit = pick(a.r, "in", "µm", "", "MM", "m")
	case 5:
		state, name = pick(a.r, "test", "", "production"), pick(a.r, "bore", "boss", "", "wide")
	}
	p := fmt.Appendf(nil, `{"v":%s,"u":%q,"n":%s,"c":%q,"p":%q,"s":%q}`, value, unit, n, name, part, state)
	switch a.r.IntN(30) {
	case 0:
		p = p[:a.r.IntN(len(p))]
	case 1:
		p[a.r.IntN(len(p))] = byte(a.r.IntN(256))
	case 2:
		p = append(p[:len(p)-1], `,"v":25.003}`...)
	}
	return p
}

// AdversaryReport is what a run of arbitrary message sequences found.
type AdversaryReport struct {
	Sequences, Messages uint64
	Counts              Counts
	Violations          []*Violation
}

// Adversary plays arbitrary sequences of messages, each against a fresh start, until
// so many were played, time is up, or one violates an invariant.
func Adversary(o Options) AdversaryReport {
	if o.Workers <= 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	began := time.Now()
	var next atomic.Uint64
	var stop atomic.Bool
	var mu sync.Mutex
	rep := AdversaryReport{Counts: Counts{}}
	var all sync.WaitGroup
	for range o.Workers {
		all.Go(func() {
			mine := AdversaryReport{Counts: Counts{}}
			for !stop.Load() && (o.For == 0 || time.Since(began) < o.For) {
				i := next.Add(1) - 1
				if i >= uint64(o.Parts) {
					break
				}
				if v := mine.one(o.Seed + i); v != nil {
					mine.Violations = append(mine.Violations, v)
					stop.Store(!o.All)
				}
			}
			mu.Lock()
			defer mu.Unlock()
			rep.Sequences += mine.Sequences
			rep.Messages += mine.Messages
			rep.Counts.Merge(mine.Counts)
			rep.Violations = append(rep.Violations, mine.Violations...)
		})
	}
	all.Wait()
	return rep
}

// one plays the sequence of one seed.
func (rep *AdversaryReport) one(seed uint64) (v *Violation) {
	defer func() {
		if r := recover(); r != nil {
			v = &Violation{Seed: seed, Rule: "I16", Text: fmt.Sprintf("panic: %v\n%s", r, debug.Stack())}
		}
	}()
	a := newAdversary(seed)
	v = a.play()
	rep.Sequences++
	rep.Messages += uint64(a.said)
	rep.Counts.Merge(a.n)
	return v
}

// met are the kinds that a run of many sequences has to have met.
var met = []string{
	"work/automatic requests", "work/approved requests", "work/readings used", "refusal/intake", "refusal/reading retained",
	"refusal/reading odd", "refusal/reading repeated", "refusal/reading late", "guard/hold too-far", "guard/hold response",
}

// Missing returns the kinds that were never met in a run of at least 10,000
// sequences: without them it proves nothing.
func (rep *AdversaryReport) Missing() []string {
	var out []string
	for _, k := range met {
		if rep.Sequences >= 10_000 && rep.Counts[k] == 0 {
			out = append(out, k)
		}
	}
	return out
}
