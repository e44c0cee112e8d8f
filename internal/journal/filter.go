package journal

import (
	"fmt"
	"slices"
)

// Bounds of one answer to Query.
const (
	DefaultLimit = 100
	MaxLimit     = 10_000
	maxPage      = 8 << 20 // bytes of bodies in one answer or page
)

// Filter says which records Query and Export want. The zero value of a field
// asks for nothing in particular; what is set must all hold.
type Filter struct {
	Stream                    string
	Kinds                     []string // any of these
	Loop, Part, Gauge, Person string
	From, To                  int64 // UTC milliseconds, From ≤ At < To

	// Before pages backwards: only records before number Before of stream
	// BeforeStream (of Stream, where BeforeStream is empty), in the order in
	// which all streams were appended. Pass the last record of one page to get
	// the next.
	Before       uint64
	BeforeStream string

	// Limit is the most records wanted: 0 means DefaultLimit for Query and all
	// for Export; Query never returns more than MaxLimit. A page may also be
	// shorter because its records are long: the end is the empty page.
	Limit int
}

// check returns the filter with its defaults filled in for Query.
func (f Filter) check() (Filter, error) {
	if f.BeforeStream == "" {
		f.BeforeStream = f.Stream
	}
	if f.Before != 0 && f.BeforeStream == "" {
		return f, fmt.Errorf("%w: before %d names no stream; set Stream or BeforeStream", ErrFilter, f.Before)
	}
	if f.Limit < 0 {
		return f, fmt.Errorf("%w: limit %d is negative; use 1 to %d", ErrFilter, f.Limit, MaxLimit)
	}
	if f.Limit == 0 {
		f.Limit = DefaultLimit
	}
	f.Limit = min(f.Limit, MaxLimit)
	return f, nil
}

// match reports whether r is wanted, paging aside.
func (f *Filter) match(r *Record) bool {
	return (f.Stream == "" || f.Stream == r.Stream) &&
		(len(f.Kinds) == 0 || slices.Contains(f.Kinds, r.Kind)) &&
		(f.Loop == "" || f.Loop == r.Loop) &&
		(f.Part == "" || f.Part == r.Part) &&
		(f.Gauge == "" || f.Gauge == r.Gauge) &&
		(f.Person == "" || f.Person == r.Person) &&
		(f.From == 0 || r.At >= f.From) &&
		(f.To == 0 || r.At < f.To)
}

// where writes the filter as a condition on table records, paging aside.
// Key columns choose the index; stream is hidden from the planner then,
// because the keys are far more selective.
func (f *Filter) where() (cond string, args []any, byKey bool) {
	cond = "1"
	add := func(c string, a any) { cond += " AND " + c; args = append(args, a) }
	for _, k := range [...]struct{ column, text string }{
		{"part", f.Part}, {"loop", f.Loop}, {"person", f.Person}, {"gauge", f.Gauge},
	} {
		if k.text == "" {
			continue
		}
		if byKey {
			add("+"+k.column+" = ?", k.text)
		} else {
			add(k.column+" = ?", k.text)
		}
		byKey = true
	}
	if f.Stream != "" {
		column := "stream"
		if byKey {
			column = "+stream"
		}
		add(column+" = (SELECT id FROM streams WHERE name = ?)", f.Stream)
	}
	if len(f.Kinds) > 0 {
		list := ""
		for i, k := range f.Kinds {
			if i > 0 {
				list += ", "
			}
			list += "?"
			args = append(args, k)
		}
		cond += " AND kind IN (" + list + ")"
	}
	if f.From != 0 {
		add("at >= ?", f.From)
	}
	if f.To != 0 {
		add("at < ?", f.To)
	}
	return cond, args, byKey
}
