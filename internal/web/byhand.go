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
func (f Format) byHand(p core.ProposalView) string {
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
		parts = append(parts, name+f.sign(by.Signed(at.Unit, at.Unit.Digits(at.Step)))+" × "+f.sign(times(at.Effect)))
	}
	measured, by := round(p.Measured, d.last), round(change, d.last)
	text := func(v length.Length) string { return f.sign(v.Text(unit, d.decimals)) }
	aim := f.T("hand_aim", "aim", text(p.Aim))
	if p.Aside != 0 {
		aim = f.T("hand_aside", "aim", text(p.Aim), "now", text(p.Aim+p.Aside))
	}
	line := f.T("hand_line", "measured", text(measured), "parts", strings.Join(parts, " "+f.T("and")+" "),
		"by", f.sign(by.Signed(unit, d.decimals)), "next", text(measured+by), "aim", aim)
	if !p.First {
		line += "; " + f.T("hand_earlier")
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
