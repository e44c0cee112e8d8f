package core

import (
	"slices"

	"offsetbridge/internal/estimate"
	"offsetbridge/internal/length"
)

func (s *State) applyConfigured(e Configured) {
	g := &s.Ledger
	old := g.Settings
	g.Settings = e.Settings
	for _, r := range e.Settings.Registers {
		b := s.book(r.Name)
		if b == nil {
			g.Registers = append(g.Registers, RegisterBook{Identity: e.Settings.Identity, Node: r.Node})
		} else if b.Pending != nil { // a write under way counts for its register, however that is called now
			in := *b.Pending
			in.Register = r.Name
			b.Pending = &in
		}
	}
	loops, filters := g.Loops, s.Estimates
	defer s.handConfigured()
	if !sameColumns(&old, &e.Settings) {
		// Records would be read by the wrong column, and a tool may have been
		// changed meanwhile.
		g.Cuts, g.Seen, g.Waiting, g.Hand = nil, nil, nil, HandBook{}
		for i := range loops {
			loops[i].begin()
		}
	}
	g.Loops, s.Estimates = nil, nil
	for i := range e.Settings.Loops {
		l := &e.Settings.Loops[i]
		g.Loops = append(g.Loops, keepLoop(loops, l, e.Settings.Digest(l.Name)))
		for k := range l.Characteristics {
			kept := keepEstimate(filters, &e.Settings, l, k)
			if !kept.Filter.Started {
				g.Loops[i].begin()
			}
			s.Estimates = append(s.Estimates, kept)
		}
	}
}

func sameColumns(a, b *Settings) bool {
	return a.Identity == b.Identity && a.ByHand == b.ByHand && slices.Equal(a.Tools, b.Tools) &&
		slices.EqualFunc(a.Registers, b.Registers, func(x, y Register) bool { return x.Node == y.Node && x.Tool == y.Tool })
}

// keepLoop carries a loop's account over a change of configuration. What was
// learned about its response stays only while the loop is the same.
func keepLoop(books []LoopBook, l *Loop, digest string) LoopBook {
	for _, b := range books {
		if b.Name == l.Name {
			if b.Digest != digest { // commands were reckoned with the old effects
				loose := 0 // the estimates may stay, and with them what they rest on
				for i := range b.Sizes {
					loose = max(loose, b.Sizes[i].Loose)
				}
				b.Digest, b.Rejected, b.Before, b.Sizes = digest, nil, nil, make([]SizeBook, len(l.Characteristics))
				for i := range b.Sizes {
					b.Sizes[i].Loose = loose
				}
				b.Parts, b.Asked = 0, 0
			}
			return b
		}
	}
	return LoopBook{Name: l.Name, Digest: digest, First: true, Sizes: make([]SizeBook, len(l.Characteristics))}
}

// keepEstimate carries an estimate over as long as its readings mean the same: from
// the same aim, by the same effects of the same registers, cut by the same program.
func keepEstimate(old []Estimate, set *Settings, l *Loop, k int) Estimate {
	c := &l.Characteristics[k]
	var nodes []string
	for _, r := range l.Registers {
		nodes = append(nodes, set.Register(r).Node)
	}
	d := digest(struct {
		Aim      length.Length
		Effects  []Effect
		Damping  float64
		Identity string
		Nodes    []string
		Program  string
		Means    any
	}{c.Aim, l.Effects[k], l.Damping, set.Identity, nodes, l.Program, set.meaning(c)})
	for _, e := range old {
		if e.Loop == l.Name && e.Characteristic == c.Name && e.Digest == d {
			return e
		}
	}
	return Estimate{Loop: l.Name, Characteristic: c.Name, Digest: d, Filter: estimate.New(estimateSettings(set, l, k)), Rivals: rivals(estimateSettings(set, l, k))}
}

// begin marks that no part has proven the size yet.
func (b *LoopBook) begin() {
	b.First, b.Back, b.Rejected, b.Before, b.Signed, b.Unsized = true, false, nil, nil, nil, 0
	for i := range b.Sizes {
		b.Sizes[i].Used, b.Sizes[i].Last, b.Sizes[i].Surprise, b.Sizes[i].Beyond = 0, Last{}, Surprise{}, Beyond{}
	}
}

// estimateSettings says in the estimator's words what is known beforehand.
func estimateSettings(set *Settings, l *Loop, k int) estimate.Settings {
	var repeat length.Length
	for _, u := range l.Characteristics[k].Gauges {
		if t := set.trust(u.Gauge); t != nil {
			repeat = max(repeat, t.Repeat)
		}
	}
	return estimate.Settings{
		GaugeSigma:    repeat.Micrometres(),
		HalfTolerance: l.Characteristics[k].Tolerance().Micrometres() / 2,
		Weight:        l.Damping,
	}
}
