package config

import (
	"strconv"
	"strings"
)

// checkPlant looks at what concerns several things at once.
func (c *Config) checkPlant(t *table) {
	if !t.has("machine") {
		t.problem("machine", "is missing, write a section [[machine]]")
	}
	if !t.has("loop") && t.has("machine") {
		t.warn("loop", "is missing: nothing is compensated until there is a section [[loop]]")
	}
	topics := &topicTree{}
	c.checkPeople(t.tables("person"))
	c.checkStandards(t)
	c.checkGauges(t.tables("gauge"), topics)
	c.checkAnnouncements(t.tables("announcement"), topics)
	c.checkPublished(t, topics)
	c.checkMachines(t.tables("machine"))
	c.checkLoops(t.tables("loop"))
}

func (c *Config) checkGauges(tables []*table, topics *topicTree) {
	used := map[string]bool{}
	for _, l := range c.Loops {
		for _, ch := range l.Characteristics {
			for _, u := range ch.Gauges {
				used[u.Gauge] = true
			}
		}
	}
	names := map[string]bool{}
	for i, g := range c.Gauges {
		t := tables[i]
		if names[g.Name] {
			t.problem("name", "is taken by another gauge, name each gauge once")
		} else if g.Topic != "" {
			if other := topics.add(g.Name, g.Filter()); other != "" {
				t.problem("topic", "can match the same message as the topic of gauge %q: a reading must belong to one gauge, tell them apart by a level", other)
			}
		}
		if g.Name != "" {
			names[g.Name] = true
			if !used[g.Name] {
				t.warn("name", "is used by no loop: its readings are kept and steer nothing")
			}
		}
		if m := g.Message.Machine; m.Kind == Constant && c.Machine(m.Text) == nil {
			message := t.section("message")
			message.unknown("machine", m.Text, "machine", c.machineNames())
		}
	}
}

// topicTree finds two templates that one topic can match, without comparing
// every pair.
type topicTree struct {
	name string
	next map[string]*topicTree // "+" for a named level
}

// add puts the filter of the named thing into the tree and returns the name of
// one that is there already and overlaps with it, "" when none does.
func (n *topicTree) add(name, filter string) (other string) {
	parts := strings.Split(filter, "/")
	other = n.match(parts)
	for _, p := range parts {
		if n.next == nil {
			n.next = map[string]*topicTree{}
		}
		if n.next[p] == nil {
			n.next[p] = &topicTree{}
		}
		n = n.next[p]
	}
	n.name = name
	return other
}

func (n *topicTree) match(parts []string) string {
	if n == nil {
		return ""
	}
	if len(parts) == 0 {
		return n.name
	}
	least := ""
	try := func(child *topicTree) {
		if s := child.match(parts[1:]); s != "" && (least == "" || s < least) {
			least = s
		}
	}
	if parts[0] != "+" {
		try(n.next[parts[0]])
		try(n.next["+"])
		return least
	}
	for _, child := range n.next {
		try(child)
	}
	return least
}

func (c *Config) checkMachines(tables []*table) {
	names, serials, nodes := map[string]bool{}, map[string]string{}, map[string]string{}
	demo, genuine := "", ""
	for i := range c.Machines {
		m, t := &c.Machines[i], tables[i]
		if names[m.Name] {
			t.problem("name", "is taken by another machine, name each machine once")
		}
		if other, ok := serials[m.Serial]; ok {
			t.problem("serial", "is the serial of machine %q as well: budgets belong to a serial, write each machine's own", other)
		}
		if m.Name != "" {
			names[m.Name] = true
		}
		if m.Serial != "" {
			serials[m.Serial] = m.Name
		}
		if m.Demo {
			demo = m.Name
		} else {
			genuine = m.Name
		}
		if demo != "" && genuine != "" {
			t.problem("demo", "mixes a simulated machine (%q) with a real one (%q), keep them in two files", demo, genuine)
			demo, genuine = "", ""
		}
		for k, x := range t.tables("register") {
			r := m.Registers[k]
			id := m.Endpoint + " " + r.Node
			if other, ok := nodes[id]; ok && r.Node != "" && m.Endpoint != "" {
				x.problem("node", "is the node of register %s as well, give each register its own", other)
			} else {
				nodes[id] = strconv.Quote(r.Name) + " of machine " + strconv.Quote(m.Name)
			}
		}
	}
}

func (c *Config) checkLoops(tables []*table) {
	type key struct{ machine, name string }
	names, owners, sizes := map[key]bool{}, map[key]string{}, map[key]string{}
	for i, l := range c.Loops {
		t := tables[i]
		if l.Name != "" && names[key{l.Machine, l.Name}] {
			t.problem("name", "is taken by another loop of machine %q, name each loop of a machine once", l.Machine)
		}
		names[key{l.Machine, l.Name}] = true
		if l.Machine == "" {
			continue
		}
		for _, r := range l.Registers {
			if other, ok := owners[key{l.Machine, r}]; ok {
				t.problem("registers", "holds %q, which loop %q owns already: a register has one owner, take it out of one of them", r, other)
				continue
			}
			owners[key{l.Machine, r}] = l.Name
		}
		for k, x := range t.tables("characteristic") {
			name := l.Characteristics[k].Name
			if name == "" {
				continue
			}
			if other, ok := sizes[key{l.Machine, name}]; ok {
				x.problem("name", "stands in loop %q of this machine already: a reading could belong to either, keep one", other)
				continue
			}
			sizes[key{l.Machine, name}] = l.Name
		}
	}
}
