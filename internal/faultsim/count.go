package faultsim

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
)

// Counts counts what happened, by kind: "fault/…", "refusal/…", "guard/…",
// "work/…", "residual/…".
type Counts map[string]uint64

func (c Counts) add(kind string) { c[kind]++ }

// Merge adds what another world counted.
func (c Counts) Merge(o Counts) {
	for k, n := range o { // any order: sums
		c[k] += n
	}
}

// Missing returns the kinds that a run of so many parts has to have met and has
// not.
func (c Counts) Missing(parts uint64) []string {
	var out []string
	for _, list := range []struct {
		from  uint64
		kinds []string
	}{{2_000, usual}, {10_000, common}, {50_000, rare}} {
		for _, k := range list.kinds {
			if parts >= list.from && c[k] == 0 {
				out = append(out, k)
			}
		}
	}
	return out
}

// Write prints the counts of one class, most frequent first.
func (c Counts) Write(w io.Writer, class string) {
	kinds := slices.DeleteFunc(slices.Collect(maps.Keys(c)), func(k string) bool { return !strings.HasPrefix(k, class+"/") })
	slices.SortFunc(kinds, func(a, b string) int { return cmp.Or(cmp.Compare(c[b], c[a]), cmp.Compare(a, b)) })
	for _, k := range kinds {
		fmt.Fprintf(w, "  %-34s %12d\n", strings.TrimPrefix(k, class+"/"), c[k])
	}
}
