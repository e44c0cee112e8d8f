package faultsim

import (
	"maps"
	"math/rand/v2"
	"slices"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/simulators/plant"
)

const um = length.Micrometre

// iron is one machine as it really is. Nothing in it knows of the daemon.
type iron struct {
	name, serial string
	w            *world
	regs         []cell
	tools        []int64
	counter      uint64
	program      string
	cutting      bool
	atStart      bool // the counter counts when a cycle begins
	atOnce       bool // a new register value acts at once

	acts   []length.Length // in force for the part being cut
	tooled []int64
	ran    string
	mixed  bool
	made   map[uint64]*part // by the machine's count, of this run of the counter
	parts  []*part

	plants map[string]*plant.Plant // by characteristic
	late   []late                  // effects that are still to come
	box    *mailbox                // how the control takes changes over; nil: it lets its registers be written
	unseen bool                    // something changed that no sample has shown yet

	reachable bool
	stranger  bool    // another machine answers at the address
	shifted   bool    // the server's namespace table has another order
	inches    bool    // the control was switched to inches
	ratio     float64 // response, seen to nominal
	blind     bool    // its counter was set back and nobody saw it in time
	deaf      bool    // one tool's generation cannot be read
	conn      *conn
	told      map[string]told // by node
}

// cell is one register of the control.
type cell struct {
	node    string
	tool    int
	value   length.Length
	shown   length.Length // at the last look at everything
	changed int64         // operation of the last change
	by      string
	source  int64 // true time of the last change
}

// part is what a part was really cut with.
type part struct {
	count uint64
	regs  []length.Length
	tools []int64
	prog  string
	mixed bool
	true_ map[string]length.Length // size by characteristic
}

// late is a request that the server carries out later.
type late struct {
	at  int64
	req *request
}

func newIron(w *world, name, serial string, registers, tools int) *iron {
	m := &iron{
		name: name, serial: serial, w: w, counter: 100, program: "P1", reachable: true,
		made: map[uint64]*part{}, plants: map[string]*plant.Plant{}, told: map[string]told{},
	}
	for i := range registers {
		m.regs = append(m.regs, cell{node: nodes[i], tool: min(i, tools-1), value: um * length.Length(w.r.IntN(41)-20)})
	}
	for range tools {
		m.tools = append(m.tools, int64(1+w.r.IntN(9)))
	}
	return m
}

var nodes = []string{"R1", "R2", "R3", "R4"}

func (m *iron) values() []length.Length {
	out := make([]length.Length, len(m.regs))
	for i := range m.regs {
		out[i] = m.regs[i].value
	}
	return out
}

// set changes a register. Who is "hand", "control" or a request.
func (m *iron) set(i int, v length.Length, by string) {
	c := &m.regs[i]
	if c.value == v && by != "request" {
		return
	}
	c.value, c.by = v, by
	c.changed, c.source = m.w.op(), m.w.now
	m.w.o.changed(m, i, v, by)
	m.touched()
}

// touched notes that something changed, and what it does to the part under way.
func (m *iron) touched() {
	m.unseen = true
	if !m.cutting {
		return
	}
	if m.atOnce && !slices.Equal(m.acts, m.values()) || !slices.Equal(m.tooled, m.tools) || m.ran != m.program {
		m.mixed = true
	}
}

func (m *iron) begin() {
	if m.cutting {
		return
	}
	if m.box != nil {
		m.box.starts()
	}
	m.cutting, m.mixed, m.unseen = true, false, true
	m.acts, m.tooled, m.ran = m.values(), slices.Clone(m.tools), m.program
	if m.atStart {
		m.counter++
	}
	m.w.op()
}

// end finishes the cycle. The size of each feature comes from what was in force.
func (m *iron) end() *part {
	if !m.cutting {
		return nil
	}
	m.cutting, m.unseen = false, true
	if !m.atStart {
		m.counter++
	}
	m.w.op()
	p := &part{count: m.counter, regs: m.acts, tools: m.tooled, prog: m.ran, mixed: m.mixed, true_: map[string]length.Length{}}
	set := m.w.setup[m.name]
	for i := range set.Loops {
		l := &set.Loops[i]
		for k, c := range l.Characteristics {
			command := 0.0
			for j, name := range l.Registers {
				command += float64(l.Effects[k][j]) / 1000 * m.acts[column(set, name)].Micrometres()
			}
			cut := m.plants[c.Name].Cut(command)
			p.true_[c.Name] = c.Aim + length.Length(cut.True*1000)
		}
	}
	m.made[p.count] = p
	m.parts = append(m.parts, p)
	if len(m.parts) > 64 {
		m.parts = m.parts[1:]
	}
	m.w.parts++
	return p
}

func column(set *core.Settings, register string) int {
	return slices.IndexFunc(set.Registers, func(r core.Register) bool { return r.Name == register })
}

// changeTool puts another tool in; told says whether the control counts it.
func (m *iron) changeTool(t int, told bool) {
	set := m.w.setup[m.name]
	for i := range set.Loops {
		l := &set.Loops[i]
		if m.regs[column(set, l.Registers[0])].tool == t {
			for _, c := range l.Characteristics {
				m.plants[c.Name].ChangeTool(told)
			}
		}
	}
	if told {
		m.tools[t]++
		m.w.op()
		m.w.o.toolChanged(m, t)
		m.touched()
	}
}

// backCount sets the part counter; parts of before are not measured any more.
func (m *iron) backCount(to uint64) {
	m.counter = to
	for i := range m.regs {
		m.w.o.account(m, i).counted, m.w.o.account(m, i).chased = false, 0
	}
	m.made, m.parts = map[uint64]*part{}, nil
	m.unseen = true
	m.w.op()
	m.w.broker.forget(m.name)
}

// due carries out late requests whose time has come.
func (m *iron) due() {
	if m.box != nil {
		m.box.runs()
	}
	for len(m.late) > 0 {
		i := -1
		for k := range m.late {
			if m.late[k].at <= m.w.now && (i < 0 || m.late[k].at < m.late[i].at) {
				i = k
			}
		}
		if i < 0 {
			return
		}
		req := m.late[i].req
		m.late = slices.Delete(m.late, i, i+1)
		m.effect(req, req.value)
	}
}

// open are the requests that may still act.
func (m *iron) open() []*request {
	var out []*request
	if m.box != nil {
		out = m.box.open()
	}
	for _, x := range m.late {
		out = append(out, x.req)
	}
	return out
}

// effect lets a request act.
func (m *iron) effect(req *request, v length.Length) {
	m.w.o.effect(m, req, v)
	m.set(req.reg, v, "request")
}

// process of one characteristic, from the public scenarios, with its response.
func (m *iron) addPlants(set *core.Settings, r *rand.Rand, ratio float64) {
	m.ratio = ratio
	all := plant.Scenarios()
	for i := range set.Loops {
		for _, c := range set.Loops[i].Characteristics {
			p := all[r.IntN(len(all))]
			p.Unreported, p.Life, p.ChangeMean, p.StopMean = false, 0, 0, 0
			p.Effect, p.EffectRatio, p.GaugeEvery = 1, ratio, 1
			if ratio == 1 && r.IntN(3) > 0 { // the easy ones move often
				p = plant.Params{SigmaProcess: 0.6, WearRate: 0.8 * float64(1-2*r.IntN(2)), SetupFirst: 5, SetupLater: 5, Effect: 1, EffectRatio: 1, GaugeEvery: 1, CycleMinutes: 0.2}
			}
			m.plants[c.Name] = plant.New(p, r.Uint64())
		}
	}
}

// calm replaces every process by one that stands still, for the end of a world.
func (m *iron) calm(r *rand.Rand) {
	names := slices.Sorted(maps.Keys(m.plants))
	for _, c := range names {
		m.plants[c] = plant.New(plant.Params{SigmaProcess: 0.4, Effect: 1, EffectRatio: m.ratio, GaugeEvery: 1, CycleMinutes: 0.2, SetupFirst: 6}, r.Uint64())
	}
}
