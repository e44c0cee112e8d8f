package config

import (
	"slices"

	"offsetbridge/internal/core"
)

// readByHand reads a machine without a connection: its tools and registers, and
// nothing that would be read from it.
func (m *Machine) readByHand(t *table) {
	m.CountsAt, m.Effective = core.CountsAtEnd, core.ActsNextCycle
	t.refuse("on a machine by hand, which nothing connects to", "endpoint", "security_policy", "security_mode", "server_certificate_sha256",
		"cert_file", "key_file", "user", "password_file", "password_env", "plain_password", "counts_at", "effective",
		"poll", "fresh", "window", "answer", "quarantine", "nodes")
	for _, x := range t.tables("tool") {
		tool := Tool{Name: x.name(false)}
		x.refuse("on a machine by hand, whose new inserts people tell", "generation")
		if slices.ContainsFunc(m.Tools, func(o Tool) bool { return o.Name != "" && o.Name == tool.Name }) {
			x.problem("name", "is taken by another tool of this machine, name each tool once")
		}
		m.Tools = append(m.Tools, tool)
		x.close()
	}
	for _, x := range t.tables("register") {
		m.readRegister(x)
	}
	t.close()
}

// refuse reports keys that have no place here.
func (t *table) refuse(where string, names ...string) {
	for _, name := range names {
		if t.has(name) {
			t.problem(name, "has no place %s: leave it out", where)
		}
	}
}

// readGraduation reads the scale of a hand-set head's screw.
func (m *Machine) readGraduation(t *table, r *Register) {
	g, ok := t.length("graduation", "0.01 mm")
	larger, said := t.text("larger")
	switch {
	case !t.has("graduation") && !t.has("larger"):
		return
	case !m.ByHand:
		t.refuse("on a machine that is connected: a screw is turned by hand", "graduation", "larger")
		return
	case t.has("graduation") && !t.has("larger"):
		t.problem("larger", "is missing, write which way the screw is turned for a larger value, as in \"clockwise\"")
	case !t.has("graduation"):
		t.problem("graduation", "is missing, write what one graduation of the screw changes, as in \"0.01 mm\"")
	}
	if !ok {
		return
	}
	if g <= 0 || r.Step > 0 && (g%r.Step != 0 && r.Step%g != 0) {
		t.problem("graduation", "is no whole number of steps (%s), nor the other way round: write what one graduation changes", r.Step)
		return
	}
	if said {
		r.Graduation, r.Larger = g, larger
	}
}
