package config

import (
	"slices"
	"strings"
)

// readPublished reads where state, events and heads are published. What is
// retained replaces what was there, so that each loop and each machine needs a
// topic of its own.
func (q *MQTT) readPublished(t *table) {
	for _, x := range []struct {
		key  string
		to   *string
		must []string
		may  []string
	}{
		{"state", &q.State, []string{"machine", "loop"}, nil},
		{"events", &q.Events, nil, []string{"machine", "loop"}},
		{"head", &q.Head, []string{"machine"}, nil},
	} {
		s, ok := t.text(x.key)
		if !ok {
			continue
		}
		*x.to = t.outgoing(x.key, s, append(slices.Clone(x.must), x.may...)...)
		for _, word := range x.must {
			if *x.to != "" && !slices.Contains(strings.Split(s, "/"), "{"+word+"}") {
				t.problem(x.key, "lacks the level {%s}: each one's message would replace the others', write it as in \"hall/%s/%s\"", word, "{"+strings.Join(x.must, "}/{")+"}", x.key)
			}
		}
	}
	if q.State != "" && q.State == q.Events {
		t.problem("events", "is the topic of state as well, give events one of their own")
	}
}

// outgoing checks a topic that we publish to, with the levels it may hold, and
// returns "" when it cannot be used.
func (t *table) outgoing(key, s string, levels ...string) string {
	parts := strings.Split(s, "/")
	if len(parts) > maxLevels || len(s) > 400 {
		t.problem(key, "is too long, write at most %d levels and 400 bytes", maxLevels)
		return ""
	}
	for i, p := range parts {
		switch {
		case p == "" || i == 0 && p[0] == '$':
			t.problem(key, "has an empty level or begins with $, write it as in \"hall/%s\"", key)
			return ""
		case !slices.Contains(levels, levelName(p)) && strings.ContainsAny(p, "+#{}"):
			t.problem(key, "holds the level %q, write fixed words and at most %s", clip(p), "{"+strings.Join(levels, "} and {")+"}")
			return ""
		}
	}
	return s
}

// checkPublished refuses what we publish and hear again ourselves.
func (c *Config) checkPublished(t *table, topics *topicTree) {
	for _, x := range []struct{ key, topic string }{
		{"requests", c.MQTT.Requests}, {"state", c.MQTT.State}, {"events", c.MQTT.Events}, {"head", c.MQTT.Head},
	} {
		if x.topic == "" {
			continue
		}
		filter := strings.NewReplacer("{machine}", "+", "{loop}", "+").Replace(x.topic)
		if other := topics.match(strings.Split(filter, "/")); other != "" {
			t.section("mqtt").problem(x.key, "is a topic on which %q is heard: what we publish would come back as a message of its, write another one", other)
		}
	}
	if c.MQTT.Head != "" && c.Machine(PlantTopic) != nil {
		t.section("mqtt").problem("head", "needs the word %q for the plant's own record, which is the name of a machine: give the machine another name", PlantTopic)
	}
	if c.MQTT.State == "" {
		return
	}
	seen := map[string]string{}
	for i, l := range c.Loops {
		topic := Topic(c.MQTT.State, l.Machine, l.Name)
		if other, ok := seen[topic]; ok && l.Name != "" {
			t.tables("loop")[i].problem("name", "makes the same topic for its state as loop %q (%s), tell them apart by more than /, + and #", other, topic)
		}
		seen[topic] = l.Name
	}
}

// PlantTopic stands in place of a machine's name where the message is about the
// plant as a whole.
const PlantTopic = "plant"

// Topic puts names into a topic that we publish to. What would be a level or a
// wildcard in a name becomes "-".
func Topic(template, machine, loop string) string {
	plain := strings.NewReplacer("/", "-", "+", "-", "#", "-")
	return strings.NewReplacer("{machine}", plain.Replace(machine), "{loop}", plain.Replace(loop)).Replace(template)
}
