package core

import (
	"fmt"
	"math"
	"slices"

	"offsetbridge/internal/compensate"
	"offsetbridge/internal/length"
)

// Expected says how often a loop will ask a person, before it is let loose and
// while it runs.
type Expected struct {
	Per100   float64 `json:"prompts_per_100_parts"`
	PerShift float64 `json:"prompts_per_shift"`    // of 8 h
	Parts    uint64  `json:"from_parts,omitempty"` // of the record it was counted over; 0: worked out from the configuration
	Say      string  `json:"say"`
}

// ExpectParts is from how many parts on a count says more than a formula: at the
// usual three to twenty prompts in a hundred it is then good to about a third.
const ExpectParts = 100

// What a process is taken for where nobody measured it, from the scenarios of the
// project's own simulation: a reading scatters by a twentieth of T, the walk of the
// process has a variance of 0.006 of the scatter's a part, wear moves it by a tenth
// of the scatter a part, and a part takes a minute and a half.
const (
	usualNoise  = 1.0 / 20 // of T
	usualWalk   = 0.006    // of σ², a part
	usualWear   = 0.1      // of σ, a part
	usualCycle  = 1.5      // minutes
	gaugeInflow = 1.6      // σ of a reading ÷ that of the gauge alone, at least
	shift       = 480.0    // minutes
)

// Expect says how often a loop will ask, from its configuration alone: corrections
// come as often as the estimate walks out of the dead band (compensate.Interval).
// In confirm each is a prompt, in auto only what the bounds leave to a person: all
// of them where the dead band is wider than the automatic step, else none beside
// first parts, tool changes and corrections that back off. Checked against the
// project's own simulation with the scatter and the wear that it assumes, within a
// factor of 1.5. The result is nil for a loop that proposes nothing.
func (s *Settings) Expect(l *Loop) *Expected { return s.expect(l, nil, usualCycle) }

func (s *Settings) expect(l *Loop, noise []length.Length, cycle float64) *Expected {
	if l.Mode != Confirm && l.Mode != Auto {
		return nil
	}
	often, asks := 0.0, l.Mode == Confirm || len(s.Lacks) > 0
	for i := range l.Characteristics {
		if !l.steers(i) {
			continue
		}
		sigma := s.usualSigma(&l.Characteristics[i])
		if i < len(noise) && noise[i] > 0 {
			sigma = noise[i]
		}
		for k, name := range l.Registers {
			e, r := l.Effects[i][k], s.Register(name)
			if e == 0 || r == nil {
				continue
			}
			band := compensate.Band(l.DeadBand, r.Step, int32(e), sigma, deadBandFactor(l.Mode))
			step, σ := math.Abs(e.Float())*r.Step.Micrometres(), sigma.Micrometres()
			often = max(often, 1/compensate.Interval(band.Micrometres(), step, usualWear*σ, usualWalk*σ*σ))
			asks = asks || band > l.Bounds.AutoStep
		}
	}
	e := &Expected{}
	if asks {
		e.set(100*often, cycle)
		e.Say = fmt.Sprintf("expect about %s (worked out from dead band, usual wear and a scatter of T/20 or the gauge's; %.2g min a part)", e.rate(), cycle)
		return e
	}
	if often > 0 {
		e.Say = fmt.Sprintf("about %.0f corrections in 100 parts go by themselves; expect a prompt after each tool change and for corrections that back off", 100*often)
	}
	return e
}

// usualSigma is the scatter of a reading where nothing is known: a twentieth of T,
// at least what the gauge brings.
func (s *Settings) usualSigma(c *Characteristic) length.Length {
	sigma := usualNoise * float64(c.Tolerance())
	for _, u := range c.Gauges {
		if t := s.trust(u.Gauge); t != nil {
			sigma = max(sigma, gaugeInflow*float64(t.Repeat))
		}
	}
	return length.Length(math.Round(sigma))
}

// ExpectFrom says how often a loop asks, from prompts that were counted over parts
// that took so many minutes each; 0 minutes are not known.
func ExpectFrom(prompts, parts uint64, cycle float64) *Expected {
	e := &Expected{Parts: parts}
	if cycle <= 0 {
		cycle = usualCycle
	}
	e.set(100*float64(prompts)/float64(max(parts, 1)), cycle)
	e.Say = fmt.Sprintf("expect about %s (from %d prompts in %d recorded parts, %.2g min each)", e.rate(), prompts, parts, cycle)
	return e
}

func (e *Expected) set(per100, cycle float64) {
	e.Per100 = math.Round(10*per100) / 10
	e.PerShift = math.Round(per100 / 100 * shift / cycle)
}

func (e *Expected) rate() string {
	return fmt.Sprintf("%.0f prompts a shift, %.1f in 100 parts", e.PerShift, e.Per100)
}

// expected says how often a running loop asks: counted where it has made enough
// parts under these settings, else worked out.
func (s *State) expected(l *Loop) *Expected {
	b := s.loopBook(l.Name)
	if l.Mode != Confirm && l.Mode != Auto {
		return nil
	}
	cycle := s.Ledger.Cycle
	if cycle < 1.0/30 { // made faster than any machine: a simulation
		cycle = usualCycle
	}
	if b.Parts >= ExpectParts {
		return ExpectFrom(b.Asked, b.Parts, cycle)
	}
	var noise []length.Length
	for i := range l.Characteristics {
		noise = append(noise, 0)
		if b.Evidence >= 30 {
			noise[i] = s.noise(l.Name, i)
		}
	}
	return s.Ledger.Settings.expect(l, noise, cycle)
}

// cutFor counts a part for the loops that it is a part of.
func (s *State) cutFor(c *Cut) {
	g := &s.Ledger
	for i := range g.Loops {
		if l := g.Settings.Loop(g.Loops[i].Name); l != nil && (l.Program == "" || l.Program == c.Program) {
			g.Loops[i].Parts++
			g.Loops[i].Silent++
			g.Loops[i].Unsized++
		}
	}
}

// askedOf counts a card that a person has to decide.
func (s *State) askedOf(p *Proposal) {
	if p.Need == "" {
		return
	}
	if i := slices.IndexFunc(s.Ledger.Loops, func(b LoopBook) bool { return b.Name == p.Loop }); i >= 0 {
		s.Ledger.Loops[i].Asked++
	}
}
