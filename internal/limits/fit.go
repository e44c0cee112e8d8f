package limits

import (
	"fmt"
	"strconv"
	"strings"

	"offsetbridge/internal/length"
)

// looksLikeFit reports a number followed by letters and a grade: "25 H7".
func looksLikeFit(s string) bool {
	letters := strings.TrimSpace(cutMM(s[leadingNumber(s):]))
	if leadingNumber(s) == 0 || letters == "" {
		return false
	}
	grade := strings.TrimLeft(letters, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz")
	return len(grade) < len(letters) && grade != "" && grade[0] >= '0' && grade[0] <= '9'
}

// cutMM drops "mm" from the start of s where a unit may stand.
func cutMM(s string) string {
	t := strings.TrimSpace(s)
	if u, ok := strings.CutPrefix(t, "mm "); ok {
		return u
	}
	return t
}

// parseFit reads diameter, letter and grade.
func parseFit(s string) (Callout, error) {
	n := leadingNumber(s)
	d, err := length.ParseNumber(s[:n], length.MM)
	if err != nil {
		return Callout{}, err
	}
	class := strings.TrimSpace(cutMM(s[n:]))
	if strings.Contains(class, "/") {
		return Callout{}, fmt.Errorf("%q names the hole and the shaft, write one of them", clip(class))
	}
	end := strings.IndexAny(class, "0123456789")
	letter := class[:end]
	g, err := strconv.Atoi(class[end:])
	if err != nil || g < 1 || g > 18 || class[end] == '0' {
		return Callout{}, fmt.Errorf("%q is not a tolerance grade, write 1 to 18 as in 25 H7", clip(class[end:]))
	}
	c := Callout{family: Fit, unit: length.MM, basic: At(d), letter: letter, grade: int8(g), kind: External}
	if letter == strings.ToUpper(letter) {
		c.kind = Internal
	} else if letter != strings.ToLower(letter) {
		return Callout{}, fmt.Errorf("%q mixes capitals and small letters, write capitals for a hole and small letters for a shaft", clip(letter))
	}
	return c, nil
}

func (c Callout) fitLimits() (Limits, error) {
	es, ei, err := deviations(c.basic.At, c.letter, int(c.grade))
	if err != nil {
		return Limits{}, err
	}
	l := Limits{Family: Fit, Kind: c.kind, Unit: length.MM, Standard: "ISO 286-1"}
	l.Size = Size{Basic: c.basic, Lower: At(c.basic.At + ei), Upper: At(c.basic.At + es)}
	if strings.Contains(fromMemory, " "+strings.ToLower(c.letter)+" ") {
		l.Notes = []string{"deviations of letter " + c.letter + " are tabulated from memory"}
	}
	return l, nil
}

// fromMemory lists the letters whose table was recalled and not compared.
const fromMemory = " cd ef fg "

// deviations returns the upper and lower limit deviation. Shafts read the table;
// holes mirror it (general rule) or mirror it with Δ (K, M, N to grade 8, P to
// ZC to grade 7), ISO 286-1.
func deviations(d length.Length, letter string, grade int) (upper, lower length.Length, err error) {
	it, err := width(d, grade)
	if err != nil {
		return 0, 0, err
	}
	small := strings.ToLower(letter)
	if small == "js" {
		return it / 2, -it / 2, nil
	}
	hole := small != letter
	if small == "j" {
		return deviationJ(d, letter, grade, it, hole)
	}
	fundamental, err := fundamental(d, letter, small, grade)
	if err != nil {
		return 0, 0, err
	}
	above := small[0] <= 'h'
	switch {
	case hole && above:
		return -fundamental + it, -fundamental, nil
	case above:
		return fundamental, fundamental - it, nil
	case !hole:
		return fundamental + it, fundamental, nil
	}
	top, err := holeTop(d, letter, grade, fundamental)
	return top, top - it, err
}

// width returns the standard tolerance IT.
func width(d length.Length, grade int) (length.Length, error) {
	for _, r := range table().grades {
		if r.holds(d) {
			if d <= length.Millimetre && grade >= 14 {
				return 0, fmt.Errorf("ISO 286-1 uses no grade from IT14 up to 1 mm, write IT13 or finer")
			}
			return r.grades[grade].value, nil
		}
	}
	return 0, fmt.Errorf("diameter %s mm is outside the tables, fits are tabulated over 0 up to 500 mm", d.In(length.MM))
}

// fundamental returns es of a to h, ei of k to zc, as tabulated for shafts.
func fundamental(d length.Length, letter, small string, grade int) (length.Length, error) {
	if small == "k" && letter == "k" && (grade < 4 || grade > 7) {
		return 0, nil
	}
	for _, r := range table().deviations {
		if !r.holds(d) {
			continue
		}
		c, ok := r.letters[small]
		switch {
		case !ok:
			return 0, fmt.Errorf("%q is not a fundamental deviation of ISO 286-1, write a letter such as H, JS, K, N, P or g, h, k, n, p", clip(letter))
		case !c.set || d <= length.Millimetre && (small == "a" || small == "b"):
			return 0, fmt.Errorf("ISO 286-1 gives no deviation %s at %s mm, choose another letter or write the limits as a plain size", letter, d.In(length.MM))
		}
		return c.value, nil
	}
	return 0, fmt.Errorf("diameter %s mm is outside the tables", d.In(length.MM))
}

func deviationJ(d length.Length, letter string, grade int, it length.Length, hole bool) (upper, lower length.Length, err error) {
	for _, r := range table().deviations {
		if !r.holds(d) {
			continue
		}
		c, ok := r.letters[letter+strconv.Itoa(grade)]
		if !ok {
			return 0, 0, fmt.Errorf("ISO 286-1 gives no %s%d, write J6 to J8, j5 to j7 or JS", letter, grade)
		}
		if hole {
			return c.value, c.value - it, nil
		}
		return c.value + it, c.value, nil
	}
	return 0, 0, fmt.Errorf("diameter %s mm is outside the tables", d.In(length.MM))
}

// holeTop returns ES of holes K to ZC from ei of the shaft letter.
func holeTop(d length.Length, letter string, grade int, ei length.Length) (length.Length, error) {
	if d <= 3*length.Millimetre {
		if letter == "N" && grade > 8 && d <= length.Millimetre {
			return 0, fmt.Errorf("ISO 286-1 uses no N%d up to 1 mm, write N8 or finer", grade)
		}
		return -ei, nil
	}
	toGrade := 7
	if letter == "K" || letter == "M" || letter == "N" {
		toGrade = 8
	}
	switch {
	case grade < 3:
		return 0, fmt.Errorf("ISO 286-1 gives no %s%d over 3 mm, its Δ starts at grade 3", letter, grade)
	case grade > toGrade && letter == "K":
		return 0, fmt.Errorf("ISO 286-1 gives no K%d over 3 mm, write K8 or finer", grade)
	case grade > toGrade && letter == "N":
		return 0, nil
	case grade > toGrade:
		return -ei, nil
	}
	fine, err := width(d, grade-1)
	if err != nil {
		return 0, err
	}
	it, err := width(d, grade)
	if err != nil {
		return 0, err
	}
	if letter == "M" && grade == 6 && d > 250*length.Millimetre && d <= 315*length.Millimetre {
		return -9 * length.Micrometre, nil // the exception that ISO 286-1 names, not −11
	}
	return -ei + it - fine, nil
}
