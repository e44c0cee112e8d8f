package limits

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"offsetbridge/internal/length"
)

// WriteText writes a small table for a setter: the callout in words, one line a
// diameter, the material limits of the usual feature, the standard, the notes.
// Reference values of open ends stand in brackets. The error is w's.
func WriteText(w io.Writer, c Callout) error {
	l := c.Limits()
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s: %s\n\n", c, describe(c, l))
	fmt.Fprintf(&b, "  %-6s %13s %13s %10s   %s\n", "", "lower", "upper", "width", l.Unit)
	for _, f := range l.Features() {
		v, err := l.View(f)
		if err != nil {
			return err
		}
		s, _ := l.Of(f)
		fmt.Fprintf(&b, "  %-6s %13s %13s %10s\n", f, end(s.Lower, s.RefLower, l.Unit), end(s.Upper, s.RefUpper, l.Unit), end(v.Width, End{}, l.Unit))
	}
	b.WriteByte('\n')
	writeMaterial(&b, l)
	fmt.Fprintf(&b, "  standard: %s\n", l.Standard)
	for _, n := range l.Notes {
		fmt.Fprintf(&b, "  note: %s\n", n)
	}
	if l.Family.Thread() {
		b.WriteString("  note: bracketed values are reference only; GO and NO-GO gauging decides on the part\n")
	}
	_, err := w.Write(b.Bytes())
	return err
}

// writeMaterial says on which side more can be cut and which side is scrap.
func writeMaterial(b *bytes.Buffer, l Limits) {
	v, err := l.View(l.Features()[0])
	if err != nil {
		return
	}
	more, scrap := "below", "above"
	if l.Kind == External {
		more, scrap = scrap, more
	}
	if v.MaximumMaterial.Set {
		fmt.Fprintf(b, "  %s %s %s %s: more can be cut (maximum-material limit)\n", v.Feature, more, show(v.MaximumMaterial.At, l.Unit), l.Unit)
	}
	if v.LeastMaterial.Set {
		fmt.Fprintf(b, "  %s %s %s %s: cut too far (least-material limit)\n", v.Feature, scrap, show(v.LeastMaterial.At, l.Unit), l.Unit)
	}
	if l.Kind == Unknown {
		b.WriteString("  hole or shaft is not said: which side can be re-cut is not known\n")
	}
}

// describe says in words what the callout is.
func describe(c Callout, l Limits) string {
	switch {
	case l.Family.Thread() && c.left:
		return l.Kind.String() + " " + l.Family.String() + ", left-hand"
	case l.Family.Thread():
		return l.Kind.String() + " " + l.Family.String() + ", right-hand"
	case l.Family == Fit && l.Kind == Internal:
		return "hole"
	case l.Family == Fit:
		return "shaft"
	case l.Kind != Unknown:
		return l.Kind.String() + " size"
	}
	return "size"
}

func end(e, ref End, u length.Unit) string {
	switch {
	case e.Set:
		return show(e.At, u)
	case ref.Set:
		return "(" + show(ref.At, u) + ")"
	}
	return "open"
}

// show writes a length exactly, with at least the decimals a drawing shows.
func show(l length.Length, u length.Unit) string {
	least := map[length.Unit]int{length.MM: 3, length.IN: 4, length.UM: 1, length.THOU: 1}[u]
	s := l.In(u)
	_, decimals, point := strings.Cut(s, ".")
	if len(decimals) >= least {
		return s
	}
	if !point {
		s += "."
	}
	return s + strings.Repeat("0", least-len(decimals))
}

// JSON returns one object on one line. Threads have pitch_min_mm, pitch_max_mm,
// major_… and minor_… (ending in _in for inch threads); sizes have lower_mm and
// upper_mm, and lower_in and upper_in too when the drawing is in inches. What is
// open is null. Numbers are exact decimals.
func JSON(c Callout) ([]byte, error) {
	if c.family == 0 {
		return nil, errors.New("no callout to write")
	}
	return c.object(c.String(), "")
}

// object writes the object of JSON; reading is left out when empty.
func (c Callout) object(callout, reading string) ([]byte, error) {
	l := c.Limits()
	o := object{}
	o.value("callout", callout)
	if reading != "" {
		o.value("reading", reading)
	}
	o.value("family", l.Family.String())
	o.value("kind", l.Kind.String())
	if l.Family.Thread() {
		unit, suffix := length.MM, "_mm"
		if l.Unit == length.IN {
			unit, suffix = length.IN, "_in"
		}
		for _, f := range l.Features() {
			s, err := l.Of(f)
			if err != nil {
				return nil, err
			}
			o.end(string(f)+"_min"+suffix, s.Lower, unit)
			o.end(string(f)+"_max"+suffix, s.Upper, unit)
		}
	} else {
		o.end("lower_mm", l.Size.Lower, length.MM)
		o.end("upper_mm", l.Size.Upper, length.MM)
		if l.Unit == length.IN || l.Unit == length.THOU {
			o.end("lower_in", l.Size.Lower, length.IN)
			o.end("upper_in", l.Size.Upper, length.IN)
		}
	}
	o.value("standard", l.Standard)
	if len(l.Notes) > 0 {
		o.value("notes", l.Notes)
	}
	return o.close()
}

// object builds a JSON object whose keys keep their order.
type object struct {
	b   bytes.Buffer
	err error
}

func (o *object) value(key string, v any) {
	o.b.WriteByte(",{"[btoi(o.b.Len() == 0)])
	e := json.NewEncoder(&o.b)
	e.SetEscapeHTML(false)
	o.err = errors.Join(o.err, e.Encode(key))
	o.trim()
	o.b.WriteByte(':')
	o.err = errors.Join(o.err, e.Encode(v))
	o.trim()
}

// trim drops the newline that an Encoder adds.
func (o *object) trim() {
	if n := o.b.Len(); n > 0 && o.b.Bytes()[n-1] == '\n' {
		o.b.Truncate(n - 1)
	}
}

func (o *object) end(key string, e End, u length.Unit) {
	if !e.Set {
		o.value(key, nil)
		return
	}
	o.value(key, json.Number(e.At.In(u)))
}

func (o *object) close() ([]byte, error) {
	o.b.WriteByte('}')
	return o.b.Bytes(), o.err
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// maxLine bounds a line of JSONLines in bytes; the rest of a longer one is read
// and dropped.
const maxLine = 4096

// JSONLines reads one callout a line and answers each line, in order, with one
// JSON object on one line: that of JSON, where "callout" is the line as written
// and "reading" the canonical form, or {"callout":…,"error":…} for one that is
// not understood (with "suggestion" when there is a near one). A bad line stops
// nothing; the error is that of reading or writing.
func JSONLines(r io.Reader, w io.Writer) error {
	in := bufio.NewReaderSize(r, maxLine)
	out := bufio.NewWriter(w)
	for {
		line, err := readLine(in)
		if err != nil && !errors.Is(err, io.EOF) {
			return errors.Join(fmt.Errorf("reading callouts: %w", err), out.Flush())
		}
		if errors.Is(err, io.EOF) && line == "" {
			return out.Flush()
		}
		answer, aerr := answerLine(line)
		if aerr != nil {
			return aerr
		}
		if _, werr := out.Write(append(answer, '\n')); werr != nil {
			return fmt.Errorf("writing limits: %w", werr)
		}
		// Somebody may be typing: answer at once unless more is waiting.
		if in.Buffered() == 0 {
			if werr := out.Flush(); werr != nil {
				return fmt.Errorf("writing limits: %w", werr)
			}
		}
		if errors.Is(err, io.EOF) {
			return out.Flush()
		}
	}
}

// readLine returns one line without its end, cut at maxLine bytes: long enough
// for Parse to refuse it for its length.
func readLine(in *bufio.Reader) (line string, err error) {
	part, err := in.ReadSlice('\n')
	line = string(part)
	for errors.Is(err, bufio.ErrBufferFull) {
		_, err = in.ReadSlice('\n')
	}
	return strings.TrimSuffix(strings.TrimSuffix(line, "\n"), "\r"), err
}

func answerLine(line string) ([]byte, error) {
	c, err := Parse(line)
	if err == nil {
		return c.object(line, c.String())
	}
	o := object{}
	if !utf8.ValidString(line) || len(line) > MaxCallout {
		line = clip(line)
	}
	o.value("callout", line)
	o.value("error", err.Error())
	var e *Error
	if errors.As(err, &e) && e.Suggestion != "" {
		o.value("suggestion", e.Suggestion)
	}
	return o.close()
}
