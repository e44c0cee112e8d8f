package core

import "slices"

// Renew says that somebody put a new insert into a tool, or another tool of the
// same name, where the control may not tell of it. It is a tool change like one
// that the control reports: the next part is a first part.
type Renew struct {
	Tool string `json:"tool"`
	Who  Person `json:"who"`
}

func (Renew) fact() {}

// Renewed is what is remembered of a tool change that a person reported.
type Renewed struct {
	Tool  string `json:"tool"`
	Count uint64 `json:"count"` // the last part that is taken as cut before it
	After uint64 `json:"after"` // the last intent before it
}

const declineNoTool Code = "no-tool"

func init() {
	words[declineNoTool] = "this machine has no tool of that name"
}

// renew takes a reported tool change. The part that is being cut just now, or was
// begun and is not counted yet, is taken as one of the tool before: it teaches how
// that one wore and moves nothing.
func (d *decision) renew(f Renew) {
	i := d.set().toolIndex(f.Tool)
	seen := d.book().Seen
	code := Code("")
	switch {
	case !f.Who.Role.May(Setter):
		code = declineRole
	case i < 0:
		code = declineNoTool
	case seen == nil:
		code = waitSample
	}
	if code != "" {
		d.emit(Declined{What: "new insert", Cause: code, Who: f.Who})
		return
	}
	last := seen.Counter
	if n := len(d.book().Cuts); n > 0 { // the machine may have no counter
		last = max(last, d.book().Cuts[n-1].Count)
	}
	if d.s.now.cut || d.s.now.sampled && !d.s.now.permitted {
		last++
	}
	e := ToolChanged{Tool: f.Tool, Old: seen.Tools[i], New: seen.Tools[i], Last: last, Who: &f.Who}
	if d.set().ByHand { // nothing else numbers its tools
		e.New++
	}
	d.emit(e)
	d.voidWhere(causeTool, func(p *Open) bool { return p.Tool == f.Tool })
}

// renewed reports whether the tool of a cut was changed after it by a person's
// word.
func (g *Ledger) renewed(tool string, count uint64) bool {
	return slices.ContainsFunc(g.Renewed, func(r Renewed) bool { return r.Tool == tool && count <= r.Count })
}

// applyRenewed remembers a reported tool change: the newest of each tool.
func (g *Ledger) applyRenewed(e ToolChanged) {
	g.Renewed = slices.DeleteFunc(g.Renewed, func(r Renewed) bool { return r.Tool == e.Tool })
	if e.Who != nil {
		g.Renewed = push(g.Renewed, Renewed{Tool: e.Tool, Count: e.Last, After: g.LastID}, maxColumns)
	}
}
