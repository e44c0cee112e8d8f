package web

import (
	"strconv"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// Card is one proposal as a person decides it. Every text is made from the
// numbers that are sent, in the control's own unit where it is about the
// register.
type Card struct {
	ID        string    `json:"id"` // "machine/number"
	Digest    string    `json:"digest"`
	Status    string    `json:"status"`
	Say       string    `json:"say"` // the whole in one sentence
	Machine   string    `json:"machine"`
	Loop      string    `json:"loop"`
	Tool      string    `json:"tool"`
	Part      string    `json:"part"`
	Measured  string    `json:"measured"`
	Raw       string    `json:"raw,omitempty"`      // as the gauge showed it, where measured is the size at 20 °C
	Decision  string    `json:"decision,omitempty"` // what the size decides, in a sentence
	How       []string  `json:"how,omitempty"`      // how it came about
	Aim       string    `json:"aim"`
	FromAim   string    `json:"from_aim"`
	Limits    string    `json:"limits"`
	Change    string    `json:"change"` // of size
	Cuts      string    `json:"cuts"`   // "more" or "less"
	Predicted string    `json:"predicted"`
	Spread    string    `json:"spread"`            // two standard deviations of the next part
	ByHand    string    `json:"by_hand,omitempty"` // the arithmetic in one line, in the control's unit
	Type      []string  `json:"type,omitempty"`    // by hand: what a person does, register by register
	Less      []Less    `json:"less,omitempty"`    // what may be asked for instead, of a single register
	Registers []Entered `json:"registers"`         // in the order they are written
	Sizes     []Size    `json:"sizes,omitempty"`   // what it does to each, where there are several
	Need      string    `json:"need,omitempty"`    // role
	Because   string    `json:"because,omitempty"`
	Waiting   string    `json:"waiting,omitempty"`
	InTransit uint64    `json:"in_transit"`
	Expires   int64     `json:"expires_in_s"`
	Identify  bool      `json:"identify,omitempty"`     // whoever approves enters their PIN once more
	Two       bool      `json:"two,omitempty"`          // two people have to agree
	Agreed    string    `json:"agreed_by,omitempty"`    // who was the first of them
	Again     string    `json:"again,omitempty"`        // who wants the part measured again first
	From      string    `json:"smaller_than,omitempty"` // the card that a person asked less of
}

// Entered is one register's change as the control shows it.
type Entered struct {
	Register string        `json:"register"`
	Old      string        `json:"old"`
	New      string        `json:"new"`
	OldNM    length.Length `json:"old_nm"`
	NewNM    length.Length `json:"new_nm"`
	StepNM   length.Length `json:"step_nm"`
}

// Less is a smaller change that may be asked for.
type Less struct {
	Text  string        `json:"text"`
	NewNM length.Length `json:"new_nm"`
}

// less offers three quarters, half and a quarter of the way, on the register's
// step; none where several registers move together.
func (f Format) less(p core.ProposalView) []Less {
	if len(p.Moves) != 1 || len(p.Control) != 1 || p.Status != core.Pending || p.Control[0].Step <= 0 {
		return nil
	}
	var out []Less
	m, at := p.Moves[0], p.Control[0]
	for _, quarters := range []length.Length{3, 2, 1} {
		v := round(m.Old+(m.New-m.Old)*quarters/4, at.Step)
		if min(m.Old, m.New) < v && v < max(m.Old, m.New) && (len(out) == 0 || out[len(out)-1].NewNM != v) {
			out = append(out, Less{Text: f.register(v, at), NewNM: v})
		}
	}
	return out
}

// Size is what a correction does to one of several characteristics: how far the
// next part would be from its aim without it, and with it.
type Size struct {
	Characteristic string `json:"characteristic"`
	Before         string `json:"before"`
	After          string `json:"after"`
	Harmed         bool   `json:"harmed,omitempty"`
}

// CardOf lays a proposal out, for programs.
func CardOf(p core.ProposalView) Card { return English().card(p) }

// card lays a proposal out for one way of reading.
func (f Format) card(p core.ProposalView) Card {
	size := p.Size
	c := Card{
		ID: cardName(p.Machine, p.ID), Digest: p.Digest, Status: string(p.Status),
		Machine: p.Machine, Loop: p.Loop, Tool: p.Tool, Part: p.Part,
		Measured: f.size(p.Measured), Aim: f.size(p.Aim),
		FromAim: f.signed(p.Measured - p.Aim), Limits: p.Limits.String(),
		Change: f.signed(size), Cuts: "more", Predicted: f.size(p.Predicted),
		Spread: "±" + f.size(2*p.Sigma), Need: string(p.Need), Because: f.code(p.Reason),
		Waiting: f.code(p.Waiting), InTransit: p.InTransit, Expires: p.Left / 1000,
	}
	c.people(p)
	c.Less = f.less(p)
	if (size < 0) == p.Internal {
		c.Cuts = "less"
	}
	for i, m := range p.Moves {
		at := p.Control[i]
		c.Registers = append(c.Registers, Entered{
			Register: m.Register, Old: f.register(m.Old, at), New: f.register(m.New, at), OldNM: m.Old, NewNM: m.New, StepNM: at.Step,
		})
		if p.TypeIn {
			c.Type = append(c.Type, f.typeIn(m, at))
		}
	}
	for _, x := range p.Sizes {
		c.Sizes = append(c.Sizes, Size{
			Characteristic: x.Characteristic, Before: f.signed(x.Before), After: f.signed(x.After), Harmed: x.Harmed,
		})
	}
	if p.Raw != 0 {
		c.Raw = f.size(p.Raw)
	}
	if p.Measurement != nil && p.Trigger == "" {
		c.Decision, c.How = f.decided(p.Measurement), f.cameAbout(p.Measurement)
		if s := f.springPass(p.Measurement.Whole, p.Internal, p.Limits.Width()); s != "" {
			c.How = append(c.How, s)
		}
	}
	since := f.T("since_measured", "size", c.Measured)
	if p.Trigger != "" { // no reading asks for it
		since, c.Measured, c.FromAim = f.code(p.Trigger), "", ""
	}
	make := "card_smaller"
	if size > 0 {
		make = "card_larger"
	}
	c.Say = f.T(make, "name", p.Characteristic, "tool", p.Tool, "by", f.size(size.Abs()), "since", since, "aim", c.Aim)
	c.ByHand = f.byHand(p)
	return c
}

// people says what the card asks of people, and what they said.
func (c *Card) people(p core.ProposalView) {
	c.Identify, c.Two = p.Beyond, p.Two
	if p.Agreed != nil {
		c.Agreed = p.Agreed.Principal
	}
	if p.Proposal.From != 0 {
		c.From = cardName(p.Machine, p.Proposal.From)
	}
	if p.Open.Again != nil {
		c.Again = p.Open.Again.Principal
	}
}

func cardName(machine string, id uint64) string { return machine + "/" + strconv.FormatUint(id, 10) }

// register shows a register as its control does.
func (f Format) register(v length.Length, at core.Shown) string {
	if at.Graduation > 0 {
		return turns(v, at.Graduation, true) + " " + f.T("graduations") + " (" + v.Signed(length.MM, length.MM.Digits(at.Graduation/10)) + ")"
	}
	return registerText(v, at)
}

// registerText shows a register exactly, to the digits of its step.
func registerText(v length.Length, at core.Shown) string {
	if at.Graduation > 0 {
		return GraduatedText(v, at.Graduation)
	}
	return v.Signed(at.Unit, at.Unit.Digits(at.Step))
}
