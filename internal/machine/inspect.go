package machine

import (
	"context"
)

// Report is what a server offers and how it compares with the options.
type Report struct {
	Endpoint string     `json:"endpoint"`
	Peer     Peer       `json:"peer"`
	Up       bool       `json:"up"`     // a session would come up
	Demo     bool       `json:"demo"`   // the server is a simulated machine
	Writes   string     `json:"writes"` // how a change gets into a register: "direct" or "hand-over"
	Metadata string     `json:"metadata,omitempty"`
	Closed   []string   `json:"closed,omitempty"` // registers that the server does not let us change
	Nodes    []*Finding `json:"nodes"`
	Problems []Problem  `json:"problems"`
}

// Problem is one thing that is wrong, in one sentence.
type Problem struct {
	Code string `json:"code"`
	Bad  bool   `json:"bad"` // differs from what was commissioned; otherwise it may pass by itself
	Text string `json:"text"`
}

// Inspect connects once, compares everything and changes nothing. It reports
// all problems at once as far as it gets.
func Inspect(ctx context.Context, o Options) Report {
	if o.Now == nil {
		o.Now = func() int64 { return 0 } // nothing is written here
	}
	r := Report{Endpoint: o.Endpoint, Writes: o.Way(), Nodes: []*Finding{}, Problems: []Problem{}}
	if err := o.Check(); err != nil {
		for _, e := range err.(interface{ Unwrap() []error }).Unwrap() {
			r.problem(differs(CodeConfig, "%v", e))
		}
		return r
	}
	o = o.withDefaults()
	s, peer, err := o.connect(ctx, &o)
	if peer != nil {
		r.Peer = *peer
	}
	if err != nil {
		r.problem(faultOf(err))
		return r
	}
	defer s.close()
	v, err := take(ctx, s, &o)
	r.Demo, r.Metadata = v.demo, v.digest
	r.Nodes = append(r.Nodes, v.findings...)
	for _, f := range v.faults {
		r.problem(f)
	}
	if err != nil {
		r.problem(faultOf(err))
	}
	r.Up = len(r.Problems) == 0
	for _, f := range v.findings {
		if f.Found && !f.mayWrite() && (f.Role == "register" && o.Handover == nil || boxWritten(f.Role)) {
			r.problem(wait(CodeReadOnly, "%s", f.label()))
			r.close(f, o.Registers)
		}
	}
	return r
}

func (r *Report) problem(f *fault) {
	r.Problems = append(r.Problems, Problem{Code: string(f.code), Bad: f.bad, Text: f.Error()})
}

// close notes which registers cannot be changed because of a node that may not be
// written: that one, or with a node of the mailbox all of them.
func (r *Report) close(f *Finding, all []Register) {
	if f.register != nil {
		r.Closed = append(r.Closed, f.register.Name)
		return
	}
	r.Closed = nil
	for _, x := range all {
		r.Closed = append(r.Closed, x.Name)
	}
}
