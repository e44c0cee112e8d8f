package gaugestudy

import (
	"fmt"
	"math"
	"slices"

	"offsetbridge/internal/capability"
)

// Repeatability is what a gauge scatters by on one part that does not change.
type Repeatability struct {
	SD       Figure
	Freedom  int
	Parts    int
	Readings int
	Apart    int // parts whose readings differ by more than chance: left out
}

// apartBelow is how unlikely by chance the scatter of one part has to be, all parts
// together, for its readings to be left out.
const apartBelow = 0.001

// Repeated pools the scatter of parts that were read more than once: Σ squares about
// each part's mean ÷ Σ (n − 1), with its χ² interval. One part whose readings scatter
// beyond chance (something under the anvil at one of them) would outweigh all others:
// such parts are left out one by one and counted, by the ratio of its variance to that
// of the others (F, after Cochran 1941, from memory).
func Repeated(parts [][]float64, confidence float64) (*Repeatability, error) {
	type one struct {
		squares float64
		n       int
	}
	var kept []one
	for _, x := range parts {
		if len(x) < 2 {
			continue
		}
		var m capability.Moments
		for _, v := range x {
			m.Add(v)
		}
		kept = append(kept, one{m.Squares(), len(x)})
	}
	slices.SortFunc(kept, func(a, b one) int {
		switch x, y := a.squares/float64(a.n-1), b.squares/float64(b.n-1); {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	out := &Repeatability{}
	var squares float64
	for _, k := range kept {
		squares += k.squares
		out.Freedom += k.n - 1
		out.Readings += k.n
	}
	for len(kept) > 5 {
		last := kept[len(kept)-1]
		d := float64(last.n - 1)
		rest, free := squares-last.squares, float64(out.Freedom)-d
		if !(rest > 0) || above(last.squares/d/(rest/free), d, free)*float64(len(kept)) > apartBelow {
			break
		}
		squares, out.Freedom, out.Readings = rest, out.Freedom-(last.n-1), out.Readings-last.n
		out.Apart++
		kept = kept[:len(kept)-1]
	}
	out.Parts = len(kept)
	if out.Freedom < 3 {
		return nil, fmt.Errorf("%w: %d parts that were read more than once are too few, take ten parts three times each", ErrStudy, out.Parts)
	}
	sd, n, alpha := math.Sqrt(squares/float64(out.Freedom)), float64(out.Freedom), (1-confidence)/2
	out.SD = Figure{sd, sd * math.Sqrt(n/chi(1-alpha, n)), sd * math.Sqrt(n/chi(alpha, n))}
	return out, nil
}
