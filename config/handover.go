package config

import "slices"

// Handover maps the mailbox through which the control's own program takes changes
// over: nodes that we write, Request last, and two that the program answers with.
type Handover struct {
	Request, Register, Old, New, Check string
	Acknowledged, Result               string
}

// mostNumber is the largest number of a register in the mailbox.
const mostNumber = 9999

func (m *Machine) readHandover(t *table) {
	h := &Handover{}
	seen := map[string]string{}
	for _, n := range []struct {
		name, about string
		into        *string
	}{
		{"request", "the number of a request; written last, 0 withdraws", &h.Request},
		{"register", "the number of the register", &h.Register},
		{"old", "the value that the register has to hold", &h.Old},
		{"new", "the value that it shall hold", &h.New},
		{"check", "the sum of request, register, old and new, so that the program sees that they belong together", &h.Check},
		{"acknowledged", "the request that the control's program has dealt with", &h.Acknowledged},
		{"result", "what it made of it: 1 carried out, anything else a reason", &h.Result},
	} {
		if !t.has(n.name) {
			t.problem(n.name, "is missing, write the node of %s", n.about)
			continue
		}
		*n.into = t.node(n.name)
		if other, taken := seen[*n.into]; taken && *n.into != "" {
			t.problem(n.name, "is the node of %s as well, give each its own", other)
		}
		seen[*n.into] = n.name
	}
	for _, r := range m.Registers {
		if other, taken := seen[r.Node]; taken && r.Node != "" {
			t.problem(other, "is the node of register %q, give each its own", r.Name)
		}
	}
	m.Handover = h
	t.close()
}

// readNumber reads what names a register in the mailbox.
func (m *Machine) readNumber(t *table, r *Register) {
	n, ok := t.integer("number", 1, mostNumber)
	switch {
	case m.boxed && !t.has("number"):
		t.problem("number", "is missing, write the number by which the control's program knows the register, as in 12")
	case !m.boxed && t.has("number"):
		t.problem("number", "names the register in a hand-over, and this machine has none: write [machine.handover] as well or leave the key out")
	case ok && slices.ContainsFunc(m.Registers, func(o Register) bool { return o.Number == n }):
		t.problem("number", "is taken by another register of this machine, give each its own")
	}
	r.Number = n
}
