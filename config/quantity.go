package config

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"offsetbridge/internal/length"
	"offsetbridge/internal/limits"
)

// parseLimits reads a characteristic's limits of size: a range or another drawing
// callout, of which feature is meant; "" is the usual one, of a thread the pitch
// diameter. Notes say what the reader of a callout must know.
func parseLimits(s, feature string) (r length.Range, kind limits.Kind, notes []string, err error) {
	if strings.Contains(s, "..") && strings.IndexAny(s, "0123456789+-\u2212") == 0 {
		r, err = length.ParseRange(s)
		if err == nil && feature != "" {
			err = errors.New("is a plain range, leave feature out or name a thread, as in \"M16x1.5-6H\"")
		} else if err != nil {
			err = errors.New(plain(err, s) + meant(s))
		}
		return r, kind, nil, err
	}
	c, err := limits.Parse(s)
	if err != nil {
		var e *limits.Error
		if errors.As(err, &e) && e.Suggestion != "" {
			return r, kind, nil, fmt.Errorf("is not understood: %s, did you mean %q?", e.Reason, e.Suggestion)
		} else if errors.As(err, &e) {
			return r, kind, nil, fmt.Errorf("is not understood: %s", e.Reason)
		}
		return r, kind, nil, err
	}
	l := c.Limits()
	if feature == "" {
		feature = string(l.Features()[0])
	}
	v, err := l.View(limits.Feature(feature))
	if err != nil {
		return r, kind, nil, fmt.Errorf("has no feature %q, leave feature out or name a thread", feature)
	}
	r, ok := v.Range()
	if !ok {
		return r, kind, nil, errors.New("is open on one side, write both limits, as in \"28.000..28.033 mm\"")
	}
	return r, v.Kind, l.Notes, nil
}

// meant returns what a refused callout was probably meant to say, as the end of
// a sentence, or "".
func meant(s string) string {
	var e *limits.Error
	if _, err := limits.Parse(s); errors.As(err, &e) && e.Suggestion != "" {
		return fmt.Sprintf(", did you mean %q?", e.Suggestion)
	}
	return ""
}

var durationUnits = map[string]time.Duration{
	"ms":  time.Millisecond,
	"s":   time.Second,
	"min": time.Minute,
	"h":   time.Hour,
	"d":   24 * time.Hour,
}

// parseDuration reads one number and one unit, as in "30 s" or "1.5 h", exact
// to the millisecond. A day is 24 hours.
func parseDuration(s string) (time.Duration, error) {
	t := strings.TrimSpace(s)
	end := strings.LastIndexAny(t, "0123456789.") + 1
	number, unit := t[:end], strings.TrimSpace(t[end:])
	size, ok := durationUnits[unit]
	switch {
	case number == "":
		return 0, errors.New("has no number, write it as in \"30 s\"")
	case unit == "":
		return 0, errors.New("has no unit, add ms, s, min, h or d")
	case unit == "m":
		return 0, errors.New("could mean minutes or months, write \"min\" for minutes")
	case !ok:
		return 0, fmt.Errorf("has the unknown unit %q, write ms, s, min, h or d", clip(unit))
	}
	whole, fraction, point := strings.Cut(number, ".")
	if !digits(whole) || point && !digits(fraction) || len(whole) > 13 || len(fraction) > 6 {
		return 0, errors.New("is not a plain number with a unit, write it as in \"30 s\"")
	}
	n, err := strconv.ParseInt(whole, 10, 64)
	if err != nil || time.Duration(n) > longest/size {
		return 0, errors.New("is longer than 100 years, write a shorter time")
	}
	d, part := time.Duration(n)*size, size
	for _, c := range fraction {
		if part%10 != 0 {
			return 0, errTooFine
		}
		part /= 10
		d += time.Duration(c-'0') * part
	}
	if d%time.Millisecond != 0 {
		return 0, errTooFine
	}
	return d, nil
}

const longest = 100 * 365 * 24 * time.Hour

var errTooFine = errors.New("is finer than a millisecond, write whole milliseconds")

// sayDuration prints a duration the way the file spells it.
func sayDuration(d time.Duration) string {
	for _, u := range []string{"d", "h", "min", "s"} {
		if size := durationUnits[u]; d >= size && d%size == 0 {
			return fmt.Sprintf("%d %s", d/size, u)
		}
	}
	return fmt.Sprintf("%d ms", d/time.Millisecond)
}

// shareOf reads "10 % of T". It returns the share in thousandths of a percent
// and reports whether s is meant as a share at all.
func shareOf(s string) (milli int64, is bool, err error) {
	number, rest, ok := strings.Cut(s, "%")
	if !ok {
		return 0, false, nil
	}
	if r := strings.Join(strings.Fields(rest), " "); r != "of T" {
		return 0, true, errors.New("is a percentage of nothing, write it as in \"10 % of T\"")
	}
	whole, fraction, point := strings.Cut(strings.TrimSpace(number), ".")
	if !digits(whole) || point && !digits(fraction) || len(whole) > 4 || len(fraction) > 3 {
		return 0, true, errors.New("is not a plain percentage, write it as in \"10 % of T\"")
	}
	milli, err = strconv.ParseInt(whole+(fraction + "000")[:3], 10, 64)
	return milli, true, err
}

// share returns milli thousandths of a percent of t, rounded down to a nanometre.
func share(t length.Length, milli int64) length.Length {
	const unit = 100_000
	return t/unit*length.Length(milli) + t%unit*length.Length(milli)/unit
}

func digits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// clip bounds what a message repeats of somebody's input.
func clip(s string) string {
	const most = 60
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}

// list joins words as a person would: "a, b or c".
func list(words []string, last string) string {
	switch len(words) {
	case 0:
		return ""
	case 1:
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " " + last + " " + words[len(words)-1]
}

// nearest returns the word of known that s is probably a slip of, "" when none
// comes close.
func nearest(s string, known []string) string {
	best, at := "", 3
	for _, k := range known {
		if d := distance(s, k); d < at && d < len(k) {
			best, at = k, d
		}
	}
	return best
}

// distance is the number of single-character edits from a to b, counted only
// for words short enough to be keys or names.
func distance(a, b string) int {
	if len(a) > 64 || len(b) > 64 {
		return 64
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			above := row[j+1]
			row[j+1] = min(above+1, row[j]+1, diagonal+cost)
			diagonal = above
		}
	}
	return row[len(b)]
}
