package core

import (
	"fmt"
	"math"
	"slices"

	"offsetbridge/internal/length"
)

// Surprise counts parts that came out far from what was expected right after a
// move, and contrary to it. The estimate sets such readings aside until others agree
// with them, and would then believe a jump that nobody reported; where the size went
// the other way by as much as was commanded, it is the register that acts wrongly.
type Surprise struct {
	Parts int           `json:"n,omitempty"`
	Asked length.Length `json:"u,omitempty"` // commanded change of size since the last reading that was used
	Seen  length.Length `json:"d,omitempty"` // and the one that was seen, mean of the parts
}

// The test by surprises: moves of at least four standard deviations of a reading,
// two parts that agree while the direction is unproven, three afterwards. A ratio of
// seen to commanded change outside −1.8 … 2.6 is no answer of a register but
// something else, such as another tool (thresholds from the project's own
// simulation; patterns: −1 wrong sign, 0 wrong register, 2 radius taken for
// diameter).
const (
	surpriseMove            = 4
	surprisesUnproven       = 2
	surprisesProven         = 3
	leastRatio, mostRatio   = -1.8, 2.6
	wrongSignLow, wrongSign = -1.5, -0.5
)

// surprised takes one reading into the count.
func (b *SizeBook) surprised(e *Judged) {
	asked, seen, ok := b.commanded(e)
	switch {
	case e.Estimate == codeIgnored || !ok:
		return
	case e.Estimate != codeSuspect && e.Estimate != codeStep || asked.Abs() < surpriseMove*e.Noise || e.Noise <= 0:
		b.Surprise = Surprise{}
		return
	}
	s := Surprise{Parts: 1, Asked: asked, Seen: seen}
	if o := b.Surprise; o.Parts > 0 && o.Asked == asked && float64((seen-o.Seen).Abs()) <= 4*math.Sqrt2*float64(e.Noise) {
		s.Parts = o.Parts + 1
		s.Seen = o.Seen + (seen-o.Seen)/length.Length(s.Parts)
	}
	ratio := s.ratio()
	error := 3.3 * float64(e.Noise) * math.Sqrt(1+1/float64(s.Parts)) / float64(asked.Abs())
	if ratio < leastRatio || ratio > mostRatio || ratio+error >= 0.45 && ratio-error <= 1.6 {
		s = Surprise{}
	}
	b.Surprise = s
}

// contradicted reports whether the newest move of any size spoke significantly
// against its effect, or the response as it was learned is as far from what was
// commanded: a wrong sign makes the scatter look large, so that nothing is
// significant, and drives the learned response to its floor. Neither is enough to
// stop a loop; but where the next change would be beyond the bounds, that is why.
func (d *decision) contradicted(j *Judged, l *Loop) bool {
	_, c := d.set().Find(j.Reading.Characteristic)
	if b := d.s.loopBook(l.Name); b.Sizes[c].Response.Moves > 0 && (j.Ratio < 450 || j.Ratio > 1600) {
		return true
	}
	return slices.ContainsFunc(d.s.loopBook(l.Name).Sizes, func(b SizeBook) bool { return b.Contrary > 0 || b.Surprise.Parts > 0 })
}

func (s Surprise) ratio() float64 { return float64(s.Seen) / float64(s.Asked) }

// contrary reports whether the surprises are enough for a hold: before the
// direction was proven any wrong response, afterwards only a wrong sign, since an
// unreported change of tool may look like any other.
func (s Surprise) contrary(proven bool) bool {
	if proven {
		return s.Parts >= surprisesProven && s.ratio() > wrongSignLow && s.ratio() < wrongSign
	}
	return s.Parts >= surprisesUnproven
}

func (s Surprise) say() string {
	return fmt.Sprintf("asked for %s, came %s", s.Asked.Signed(length.MM, 4), s.Seen.Signed(length.MM, 4))
}
