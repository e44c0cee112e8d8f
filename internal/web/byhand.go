package web

import (
	"fmt"
	"strings"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// digits are the decimals in which sizes are reckoned by hand, so that the last one
// is 0.1 µm or a hundredth of a thou: a whole number of nanometres in each unit.
var digits = map[length.Unit]struct {
	decimals int
	last     length.Length
}{
	length.MM: {4, 100}, length.UM: {1, 100}, length.IN: {5, 254}, length.THOU: {2, 254}, length.NM: {0, 1},
}

// byHand is the arithmetic of a proposal in one line, in the control's unit, that
// comes out to the last digit shown when a setter does it with pencil and paper:
// the size that was measured, the change of every register against what was in
// force at that part, times its effect, and the size that a part cut the same way
// comes to. It is empty where no reading asks for the change.
func byHand(p core.ProposalView) string {
	if p.Trigger != "" || len(p.Moves) == 0 || len(p.Control) != len(p.Moves) {
		return ""
	}
	unit := p.Control[0].Unit
	d, ok := digits[unit]
	if !ok {
		unit, d = length.MM, digits[length.MM]
	}
	var parts []string
	change := length.Length(0)
	for i, m := range p.Moves {
		at := p.Control[i]
		by := m.New - at.Was
		change += at.Effect.Of(by)
		name := ""
		if len(p.Moves) > 1 {
			name = m.Register + " "
		}
		parts = append(parts, fmt.Sprintf("%s%s × %s", name, by.Signed(at.Unit, at.Unit.Digits(at.Step)), times(at.Effect)))
	}
	measured, by := round(p.Measured, d.last), round(change, d.last)
	aim := "aim " + p.Aim.Text(unit, d.decimals)
	if p.Aside != 0 {
		aim += ", for now " + (p.Aim+p.Aside).Text(unit, d.decimals)
	}
	line := fmt.Sprintf("%s measured, register %s = %s: next %s (%s)",
		measured.Text(unit, d.decimals), strings.Join(parts, " and "), by.Signed(unit, d.decimals), (measured+by).Text(unit, d.decimals), aim)
	if !p.First {
		line += "; earlier parts weigh in as well"
	}
	return line
}

// round returns the nearest multiple of step, halves away from zero.
func round(v, step length.Length) length.Length {
	if v < 0 {
		return -round(-v, step)
	}
	return (v + step/2) / step * step
}

// times shows an effect, signed, without needless zeros.
func times(e core.Effect) string {
	s := fmt.Sprintf("%+.3f", e.Float())
	return strings.Replace(strings.TrimRight(strings.TrimRight(s, "0"), "."), "-", "−", 1)
}
