package core

import (
	"fmt"

	"offsetbridge/internal/length"
)

// Beyond counts parts in a row that came out past the same limit of size although
// the estimate called for no change, or for one that makes it worse. An estimate
// that learned from a gauge that was stuck, or from parts that were not what they
// were said to be, may take the plain truth for scatter for a long time; the parts
// are wrong all the same, and somebody has to be told.
type Beyond struct {
	Parts int           `json:"n,omitempty"`
	Off   length.Length `json:"d,omitempty"` // deviation of the last of them
}

// beyondLimit is how many parts in a row it takes. A process as wide as its
// tolerance, centred, has a sixth of its parts past one limit: six in a row come by
// chance once in 47,000 parts.
const beyondLimit = 6

// beyond takes one used reading into the count. now is what the registers in force
// command: a part cut before the last change says nothing of the next one.
func (b *SizeBook) beyond(e *Judged, c *Characteristic, now length.Length) {
	size := c.Aim + e.Deviation
	switch {
	case e.Regauge || e.Recut || e.Command != now || e.Estimate == codeSuspect || e.Estimate == codeIgnored:
	case e.Propose != codeDeadBand && !e.worse() || size >= c.Limits.Low && size <= c.Limits.High:
		b.Beyond = Beyond{}
	case b.Beyond.Parts > 0 && b.Beyond.Off > 0 == (e.Deviation > 0):
		b.Beyond = Beyond{Parts: b.Beyond.Parts + 1, Off: e.Deviation}
	default:
		b.Beyond = Beyond{Parts: 1, Off: e.Deviation}
	}
}

// worse reports whether the one change that is wanted leads further away from where
// the part should have been.
func (e *Judged) worse() bool {
	return e.Propose == "" && len(e.Moves) == 1 && (e.Moves[0].Size > 0) == (e.Deviation > 0) && e.Moves[0].Size != 0
}

// command is the change of size that the registers in force make together.
func (s *State) command(l *Loop, c int) length.Length {
	var sum length.Length
	for k, v := range s.after(l, nil) {
		sum += l.Effects[c][k].Of(v)
	}
	return sum
}

// outside holds a loop that sees its parts come out past a limit and would do
// nothing about it.
func (d *decision) outside(l *Loop) {
	for i, b := range d.s.loopBook(l.Name).Sizes {
		if b.Beyond.Parts >= beyondLimit {
			d.hold(l.Name, causeBeyond, fmt.Sprintf("%s, %d parts, the last one %s from aim",
				l.Characteristics[i].Name, b.Beyond.Parts, b.Beyond.Off.Signed(length.MM, 4)), Setter)
		}
	}
}

// forget lets the estimates of a loop begin anew: what they had learned was wrong.
func (s *State) forget(loop string) {
	l := s.Ledger.Settings.Loop(loop)
	for k := range l.Characteristics {
		s.estimateOf(loop, k).renew(estimateSettings(&s.Ledger.Settings, l, k))
	}
	s.loopBook(loop).begin()
}
