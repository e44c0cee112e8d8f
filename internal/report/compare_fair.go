package report

import (
	"fmt"
	"slices"
	"strings"

	"offsetbridge/internal/comparison"
)

// UsualBin is how many parts of tool age count as the same age: wear within so few is
// small beside the scatter of one part (common practice, no source).
const UsualBin = 10

// fair sorts parts into groups whose tools have the same mix of ages: a worn tool cuts
// another size than a new one, and scatters otherwise, whatever machine it is in. In
// each span of ages that all groups have, each gives the same share of its parts, evenly
// from first to last; the rest is left out and counted. Groups of which too little is
// left, or that would cost the others most of theirs, are left out.
func (g *gathered) fair(s *Compared) []comparison.Group {
	kept := g.newest(s)
	sizes := make([]int, len(g.names))
	for _, p := range g.parts {
		sizes[p.group]++
	}
	few := func(i int, why string) {
		s.Notes = append(s.Notes, fmt.Sprintf("%s is left out: %s%s.", g.names[i], count(sizes[i], "part"), why))
	}
	kept = slices.DeleteFunc(kept, func(i int) bool {
		if sizes[i] < comparison.Fewest && len(g.names) > 2 {
			few(i, "")
			return true
		}
		return false
	})
	if g.a.Bin > 0 && len(kept) > 1 {
		m := g.ages()
		m.drop(&kept, func(i int) { few(i, ", too few of them at ages of the tool that the others have") })
		if take, total := m.match(kept); total > 0 && m.enough(kept, take) {
			g.gaugesDiffer(s, kept)
			return g.thin(s, kept, m, take)
		}
		s.Notes = append(s.Notes, "The groups have too few parts at the same ages of their tools, or those are not known: how worn the tools were is part of the difference.")
	}
	g.gaugesDiffer(s, kept)
	out := make([]comparison.Group, len(kept))
	place := g.place(kept)
	for i, k := range kept {
		out[i].Name = g.names[k]
	}
	for _, p := range g.parts {
		if i := place[p.group]; i >= 0 {
			out[i].Values = append(out[i].Values, p.value)
		}
	}
	return out
}

// newest keeps as many groups as can be compared, those that were measured last.
func (g *gathered) newest(s *Compared) []int {
	kept := make([]int, len(g.names))
	for i := range kept {
		kept[i] = i
	}
	if len(kept) > comparison.MostGroups {
		slices.SortStableFunc(kept, func(a, b int) int { return int(min(1, max(-1, g.last[b]-g.last[a]))) })
		kept = kept[:comparison.MostGroups]
		slices.Sort(kept)
		s.Notes = append(s.Notes, fmt.Sprintf("Of %d groups the newest %d are compared.", len(g.names), comparison.MostGroups))
	}
	return kept
}

func (g *gathered) place(kept []int) []int {
	out := make([]int, len(g.names))
	for i := range out {
		out[i] = slices.Index(kept, i)
	}
	return out
}

// matched counts parts by group and span of tool ages.
type matched struct {
	bin   int
	count [][]int // of each group, by span
	spans int
}

// mostSpans bounds the spans of ages; parts beyond share the last one.
const mostSpans = 4096

func (g *gathered) ages() *matched {
	m := &matched{bin: g.a.Bin, count: make([][]int, len(g.names))}
	for _, p := range g.parts {
		if p.age > 0 {
			m.spans = max(m.spans, m.span(p.age)+1)
		}
	}
	for i := range m.count {
		m.count[i] = make([]int, m.spans)
	}
	for _, p := range g.parts {
		if p.age > 0 {
			m.count[p.group][m.span(p.age)]++
		}
	}
	return m
}

func (m *matched) span(age int32) int { return min(mostSpans-1, (int(age)-1)/m.bin) }

// match returns how many parts each of the groups gives in each span, and the sum.
func (m *matched) match(groups []int) (take [][]int, total int) {
	least := make([]int, m.spans)
	for b := range least {
		least[b] = m.count[groups[0]][b]
		for _, k := range groups {
			least[b] = min(least[b], m.count[k][b])
		}
	}
	take = make([][]int, len(groups))
	for i, k := range groups {
		take[i] = make([]int, m.spans)
		times := -1.0 // what the group has of the common mix
		for b, n := range least {
			if n > 0 {
				if t := float64(m.count[k][b]) / float64(n); times < 0 || t < times {
					times = t
				}
			}
		}
		for b, n := range least {
			if n > 0 {
				take[i][b] = int(times*float64(n) + 1e-9)
				total += take[i][b]
			}
		}
	}
	return take, total
}

func sum(x []int) (n int) {
	for _, v := range x {
		n += v
	}
	return n
}

func (m *matched) enough(groups []int, take [][]int) bool {
	for i := range groups {
		if sum(take[i]) < comparison.Fewest {
			return false
		}
	}
	return true
}

// drop leaves out groups that have too little in common with the others, or that cost
// them more than half of what they have in common.
func (m *matched) drop(kept *[]int, say func(group int)) {
	for len(*kept) > 2 {
		take, total := m.match(*kept)
		worst, best := -1, 0
		for i := range *kept {
			rest := slices.Delete(slices.Clone(*kept), i, i+1)
			if _, n := m.match(rest); n > best {
				worst, best = i, n
			}
		}
		if worst < 0 || m.enough(*kept, take) && best < 2*total {
			return
		}
		say((*kept)[worst])
		*kept = slices.Delete(*kept, worst, worst+1)
	}
}

// thin takes the parts that each group gives.
func (g *gathered) thin(s *Compared, kept []int, m *matched, take [][]int) []comparison.Group {
	out, place := make([]comparison.Group, len(kept)), g.place(kept)
	seen := make([][]int, len(kept))
	for i, k := range kept {
		out[i].Name, seen[i] = g.names[k], make([]int, m.spans)
	}
	left, unknown := 0, 0
	for _, p := range g.parts {
		i := place[p.group]
		if i < 0 {
			continue
		}
		if p.age <= 0 {
			unknown++
			continue
		}
		b := m.span(p.age)
		k, n, all := seen[i][b], take[i][b], m.count[p.group][b]
		seen[i][b]++
		if (k+1)*n/all == k*n/all { // n of all, evenly
			left++
			continue
		}
		out[i].Values = append(out[i].Values, p.value)
	}
	s.Notes = append(s.Notes, m.inWords(take, left, unknown))
	return out
}

func (m *matched) inWords(take [][]int, left, unknown int) string {
	var words []string
	for b := 0; b < m.spans; b++ {
		if take[0][b] == 0 {
			continue
		}
		end := b
		for end+1 < m.spans && take[0][end+1] > 0 {
			end++
		}
		words = append(words, fmt.Sprintf("%d to %d", b*m.bin+1, (end+1)*m.bin))
		b = end
	}
	text := fmt.Sprintf("Parts at the same ages of their tools are compared, in spans of %d: %s parts after the change of tool; %s at other ages or too many of one span left out", m.bin, strings.Join(words, ", "), count(left, "part"))
	if unknown > 0 {
		text += fmt.Sprintf(", and %d of unknown age", unknown)
	}
	return text + ". Where a record begins in the life of a tool, its age counts from there."
}
