package main

import (
	"encoding/json"

	"offsetbridge/internal/core"
)

// say writes one line out: {"NAME": body}.
func (e *engine) say(name string, body any) {
	b, err := json.Marshal(map[string]any{name: body})
	if err != nil {
		b, _ = json.Marshal(map[string]string{"error": err.Error()}) //nolint:errcheck // a string encodes
	}
	e.out.Write(b)        //nolint:errcheck // Flush tells
	e.out.WriteByte('\n') //nolint:errcheck // Flush tells
}

type moveOut struct {
	Register string `json:"register"`
	Old      string `json:"old"`
	New      string `json:"new"`
	Size     string `json:"size"`
}

type writeOut struct {
	Intent   uint64 `json:"intent"`
	Loop     string `json:"loop"`
	Register string `json:"register"`
	Old      string `json:"old"`
	New      string `json:"new"`
}

type proposalOut struct {
	Proposal uint64    `json:"proposal"`
	Loop     string    `json:"loop"`
	Need     core.Role `json:"need"`
	Because  core.Code `json:"because"`
	Moves    []moveOut `json:"moves"`
}

type judgedOut struct {
	Characteristic string    `json:"characteristic"`
	Part           string    `json:"part"`
	FromAim        string    `json:"from_aim,omitempty"` // of an attributed reading
	Used           bool      `json:"used"`
	Because        core.Code `json:"because,omitempty"`
}

// tell says an event in the words of the protocol.
func (e *engine) tell(event core.Event) {
	switch x := event.(type) {
	case core.Intended:
		e.say("write", writeOut{x.Intent.ID, x.Intent.Loop, x.Register, x.Old.String(), x.New.String()})
	case core.Proposed:
		if x.Need != "" {
			out := proposalOut{Proposal: x.ID, Loop: x.Loop, Need: x.Need, Because: x.Reason}
			for _, m := range x.Moves {
				out.Moves = append(out.Moves, moveOut{m.Register, m.Old.String(), m.New.String(), m.Size.String()})
			}
			e.say("proposal", out)
		}
	case core.Voided:
		e.say("ended", map[string]any{"proposal": x.Proposal, "loop": x.Loop, "because": x.Cause})
	case core.Judged:
		because := firstCode(x.Admit, x.Attribute, x.Gather, x.Estimate, x.Propose)
		used := x.Measurement() != nil && x.Estimate != "suspect" && x.Estimate != "ignored"
		out := judgedOut{Characteristic: x.Reading.Characteristic, Part: x.Reading.Part, Used: used, Because: because}
		if x.Measurement() != nil {
			out.FromAim = x.Deviation.String()
		}
		e.say("judged", out)
		e.measured(x)
		if x.Estimate == "suspect" {
			e.say("measure_again", map[string]any{
				"gauge": x.Reading.Gauge, "characteristic": x.Reading.Characteristic, "part": x.Reading.Part, "because": x.Estimate.Words(),
			})
		}
	case core.Unfinished:
		e.say("unfinished", map[string]any{"characteristic": x.Characteristic, "part": x.Part, "have": x.Have, "of": x.Of, "because": x.Cause})
	case core.Concluded:
		e.say("outcome", map[string]any{"intent": x.Outcome.Intent, "register": x.Register, "result": x.Result})
	case core.Held:
		e.say("hold", map[string]any{"loop": x.Loop, "cause": x.Cause, "says": x.Cause.Words()})
	case core.Resumed:
		e.say("resumed", map[string]any{"loop": x.Loop, "cause": x.Cause, "says": x.Note})
	case core.Declined:
		e.say("declined", map[string]any{"what": x.What, "because": x.Cause})
	}
}

// measuredOut is one measurement: what the gauge showed, what steers, and what it
// decides.
type measuredOut struct {
	Characteristic string   `json:"characteristic"`
	Part           string   `json:"part"`
	Readings       int      `json:"readings"`
	Raw            string   `json:"raw,omitempty"` // of one reading
	Size           string   `json:"size"`
	Uncertainty    string   `json:"uncertainty,omitempty"` // absent: not known
	Decision       string   `json:"decision"`
	Says           string   `json:"says"`
	How            []string `json:"how,omitempty"`
}

func (e *engine) measured(x core.Judged) {
	m := x.Measurement()
	if m == nil {
		return
	}
	decision, u, open := m.Decision()
	out := measuredOut{
		Characteristic: x.Reading.Characteristic, Part: x.Reading.Part, Readings: 1, Raw: m.Raw.String(), Size: m.Steers().String(),
		Decision: string(decision), Says: m.Say(), How: m.How(),
	}
	if m.Whole != nil {
		out.Readings, out.Raw = m.Whole.Sizes.Readings, ""
	}
	if open == "" {
		out.Uncertainty = u.String()
	}
	e.say("measured", out)
}

func firstCode(codes ...core.Code) core.Code {
	for _, c := range codes {
		if c != "" {
			return c
		}
	}
	return ""
}
