package limits

import (
	"errors"
	"strings"

	"offsetbridge/internal/length"
)

// Bounds of the search for a suggestion: longer text gets none, and no more
// readings are tried than this.
const (
	suggestLongest = 40
	suggestTries   = 6_000
)

// Costs of a change, from slips of the keyboard to changes of meaning. A digit
// that was changed costs the distance too: 1.6 was rather 1.5 than 1.0.
const (
	costCase     = 1 // of the leading M and of whole words; elsewhere it turns a shaft into a hole
	costLookLike = 1
	costJoint    = 2 // '-', 'x', '.', ' ' put in, left out or exchanged
	costSwap     = 4
	costDrop     = 5
	costAdd      = 6
	costAddDigit = 9
	costLetter   = 6
	costDigit    = 6
	costUnlisted = 4 // the reading is outside the listed sizes
	costRare     = 1 // positions e, f and G
	costDiameter = 8 // another diameter than the one that is legible
)

const alphabet = "0123456789.-x #/ABCFGHJKLMNPSTUefghjkmnpr"

// lookalikes are pairs that keyboards, scanners and eyes confuse.
const lookalikes = "O0 o0 l1 I1 S5 B8 Z2"

// suggestion is the cheapest accepted reading so far, among those that keep what
// a slip must not be guessed to have changed: the numbers of a size, hole or
// shaft, the diameter where it is legible.
type suggestion struct {
	family   Family      // what the text surely is, zero when that is open
	kind     Kind        // what its letters say, Unknown when that is open
	diameter End         // of a metric thread or fit
	numbers  string      // digits of a plain size
	unit     length.Unit // of a plain size, empty when it is not legible
	letters  string      // of a fit
	torn     bool        // it names internal and external: nothing to suggest

	callout Callout
	found   bool
	cost    int
	tries   int
}

// suggest returns the nearest valid reading of a refused callout, or "".
func suggest(callout string) string {
	text, err := normalise(callout)
	if err != nil || text == "" || len(text) > suggestLongest || strings.Contains(text, "plating") {
		return ""
	}
	if turned := turnedRange(text); turned != "" {
		return turned
	}
	s := suggestion{numbers: digits(text)}
	if s.recognise(text); s.torn {
		return ""
	}
	s.whole(text)
	starts := repairs(text)
	for _, start := range starts {
		s.try(start.text, start.cost)
	}
	for _, start := range starts {
		s.edits(start.text, start.cost)
	}
	if !s.found {
		return ""
	}
	return s.callout.String()
}

// turnedRange returns a range whose limits are written the wrong way round the
// right way, digit by digit as it was written, or "".
func turnedRange(text string) string {
	if _, err := parse(text); !errors.Is(err, errTurned) {
		return ""
	}
	low, high, _ := strings.Cut(text, "..")
	head := ""
	for _, k := range kindWords {
		if rest, ok := strings.CutPrefix(low, k.word+" "); ok {
			head, low = k.word+" ", rest
		}
	}
	parts, unit, err := oneUnit(strings.TrimPrefix(strings.TrimSpace(low), "\u00f8"), strings.TrimPrefix(high, "."))
	if err != nil {
		return ""
	}
	turned := head + parts[1] + ".." + strings.TrimSpace(parts[0]) + " " + string(unit)
	if _, err := parse(turned); err != nil {
		return ""
	}
	return turned
}

// recognise notes what the text says beyond doubt.
func (s *suggestion) recognise(text string) {
	inner, outer := "", ""
	number := text
	switch {
	case text[0] == 'M' || text[0] == 'm' && len(text) > 1 && isDigit(text[1]):
		s.family, inner, outer = Metric, "ABCDEFGHIJK", "abcdefghijk"
		number = strings.TrimSpace(text[1:])
	case strings.Contains(strings.ToUpper(text), "UN"):
		s.family, inner, outer = Unified, "B", "A"
		number = ""
	case looksLikeFit(text):
		s.family, inner, outer = Fit, "ABCDEFGHJKLMNPRSTUVXYZ", "abcdefghjklmnprstuvxyz"
	}
	s.letters = letters(cutMM(text[leadingNumber(text):]))
	class := strings.TrimSuffix(text[strings.IndexByte(text, '-')+1:], "-LH")
	switch s.family {
	case Fit:
		class = s.letters
	case Unified:
		_, class, _ = strings.Cut(strings.ToUpper(text), "UN")
	}
	in, out := strings.ContainsAny(class, inner), strings.ContainsAny(class, outer)
	s.torn = in && out || s.family == Unified && !in && !out
	switch {
	case in && !out:
		s.kind = Internal
	case out && !in:
		s.kind = External
	}
	if d, err := length.ParseNumber(number[:leadingNumber(number)], length.MM); err == nil {
		s.diameter = At(d)
	}
	if _, u, err := unitAtEnd(text); err == nil {
		s.unit = u
	}
}

// letters returns the letters of text.
func letters(text string) string {
	return strings.Map(func(r rune) rune {
		if r < 'A' || r > 'z' || r > 'Z' && r < 'a' {
			return -1
		}
		return r
	}, text)
}

// digits returns the digits, decimal signs and minus signs of text.
func digits(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= '0' && r <= '9' || r == '.' || r == '-':
			return r
		case r == ',':
			return '.'
		}
		return -1
	}, text)
}

// try keeps text when it is accepted at a lower cost than the best so far.
func (s *suggestion) try(text string, cost int) {
	if s.found && cost >= s.cost || s.tries >= suggestTries {
		return
	}
	s.tries++
	c, err := parse(text)
	if err != nil || s.family != c.family && s.family != 0 || s.kind != Unknown && s.kind != c.kind {
		return
	}
	switch c.family {
	case Plain:
		if digits(text) != s.numbers || s.unit != "" && s.unit != c.unit {
			return
		}
	case Fit:
		if s.family == 0 && digits(text) != s.numbers { // a grade that nobody wrote is not guessed
			return
		}
		if c.basic != s.diameter || !strings.Contains(s.letters, c.letter) && !strings.Contains(c.letter, s.letters) {
			return
		}
	case Metric:
		if !table().inSeries(c.basic.At, c.pitch) {
			cost += costUnlisted
		}
		if c.position != 'H' && c.position != 'g' && c.position != 'h' {
			cost += costRare
		}
		if s.diameter.Set && c.basic != s.diameter {
			cost += costDiameter
		}
	}
	if !s.found || cost < s.cost {
		s.callout, s.found, s.cost = c, true, cost
	}
}

// repair is a text after cheap changes, with what they cost.
type repair struct {
	text string
	cost int
}

// repairs returns the text itself and versions with capitals, joints and
// look-alikes put right.
func repairs(text string) []repair {
	out := []repair{{text, 0}}
	add := func(t string, cost int) {
		for _, o := range out {
			if o.text == t {
				return
			}
		}
		out = append(out, repair{t, cost})
	}
	if text[0] == 'm' {
		add("M"+text[1:], costCase)
	}
	add(strings.ReplaceAll(text, "X", "x"), costCase)
	add(strings.ReplaceAll(strings.ToUpper(text), "X", "x"), 2*costCase)
	for _, o := range out {
		add(strings.ReplaceAll(o.text, " ", "-"), o.cost+costJoint)
		add(strings.ReplaceAll(o.text, " ", ""), o.cost+costJoint)
	}
	for _, o := range out {
		add(digitsFor(o.text), o.cost+costLookLike)
	}
	return out
}

// digitsFor puts digits for letters that look alike, next to other digits.
func digitsFor(text string) string {
	b := []byte(text)
	for i := range b {
		beside := i > 0 && isDigit(b[i-1]) || i+1 < len(b) && isDigit(b[i+1])
		for _, pair := range strings.Fields(lookalikes) {
			if beside && b[i] == pair[0] {
				b[i] = pair[1]
			}
		}
	}
	return string(b)
}

// edits tries every single change of the text.
func (s *suggestion) edits(text string, cost int) {
	for i := range len(text) {
		if flipped := flipCase(text[i]); flipped != text[i] {
			s.try(text[:i]+string(flipped)+text[i+1:], cost+costLetter)
		}
		s.try(text[:i]+text[i+1:], cost+costOf(text[i], costDrop))
		if i+1 < len(text) {
			s.try(text[:i]+text[i+1:i+2]+text[i:i+1]+text[i+2:], cost+costSwap)
		}
	}
	for i := range len(text) + 1 {
		for j := range len(alphabet) {
			add := costOf(alphabet[j], costAdd)
			if isDigit(alphabet[j]) {
				add = costAddDigit
			}
			s.try(text[:i]+alphabet[j:j+1]+text[i:], cost+add)
			if i < len(text) && alphabet[j] != text[i] {
				s.try(text[:i]+alphabet[j:j+1]+text[i+1:], cost+exchange(text[i], alphabet[j]))
			}
		}
	}
}

func costOf(b byte, other int) int {
	if strings.IndexByte("-x. #", b) >= 0 {
		return costJoint
	}
	return other
}

// exchange is the cost of writing b for a.
func exchange(a, b byte) int {
	switch {
	case isDigit(a) && isDigit(b):
		return costDigit + max(int(a), int(b)) - min(int(a), int(b))
	case costOf(a, 0)+costOf(b, 0) == 2*costJoint:
		return costJoint
	case isDigit(a) != isDigit(b):
		return costDigit + costLetter
	}
	return costLetter
}

func isDigit(b byte) bool { return '0' <= b && b <= '9' }

func flipCase(b byte) byte {
	switch {
	case 'a' <= b && b <= 'z':
		return b - 'a' + 'A'
	case 'A' <= b && b <= 'Z':
		return b - 'A' + 'a'
	}
	return b
}

// whole tries readings that no single change reaches: without the last part,
// with a crest grade that exists, with a pitch that the diameter has. A missing
// unit or class is nobody's slip to guess.
func (s *suggestion) whole(text string) {
	dash := strings.LastIndexByte(text, '-')
	if dash <= 0 {
		if at := strings.Index(text, "UN"); at > 0 {
			s.perInch(strings.TrimSpace(text[:at]), text[at:])
		}
		return
	}
	s.try(text[:dash], costDrop-1)
	switch s.family {
	case Metric:
		text = "M" + text[1:]
		for _, crest := range []string{"6", "4", "5", "8", "7"} {
			s.try(text+crest+text[len(text)-1:], costAdd)
		}
		s.pitches(text, dash)
	case Unified:
		if at := strings.Index(text, "UN"); at > 0 && dash > at {
			s.perInch(strings.TrimSpace(text[:at]), text[at:])
		}
	}
}

// perInch puts the threads per inch in that the series gives a size.
func (s *suggestion) perInch(size, rest string) {
	d, ok := parseInchSize(size)
	if !ok {
		return
	}
	entry, _ := unifiedEntry(d)
	series, _, _ := strings.Cut(rest, "-")
	if n := entry.series[strings.TrimSpace(series)]; n > 0 {
		s.try(size+"-"+n.String()+" "+rest, costAdd)
	}
}

// pitches tries the listed pitches of the diameter, the nearest first.
func (s *suggestion) pitches(text string, dash int) {
	head, written, _ := strings.Cut(strings.TrimSpace(text[1:dash]), "x")
	d, err := length.ParseNumber(strings.TrimSpace(head), length.MM)
	if err != nil {
		return
	}
	want, err := length.ParseNumber(strings.TrimSpace(written), length.MM)
	if err != nil && written != "" {
		return
	}
	size := table().sizes[d]
	var best length.Length
	for _, p := range append([]length.Length{size.coarse}, size.fine...) {
		if p > 0 && (best == 0 || err == nil && (p-want).Abs() < (best-want).Abs()) {
			best = p
		}
	}
	if best > 0 {
		s.try("M"+d.In(length.MM)+"x"+best.In(length.MM)+text[dash:], costDigit)
	}
}
