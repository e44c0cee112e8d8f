package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"

	"github.com/spf13/cobra"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

func engineCommand() *cobra.Command {
	var path string
	var trust, events bool
	c := &cobra.Command{
		Use: "engine", Short: "the decision core alone on standard input and output, in virtual time", Args: cobra.NoArgs,
		Long: engineHelp,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := config.Load(path)
			if err != nil {
				return err
			}
			e, err := newEngine(cfg, trust, events, cmd.OutOrStdout())
			if err != nil {
				return err
			}
			return e.run(cmd.InOrStdin())
		},
	}
	configFlag(c, &path)
	c.Flags().BoolVar(&trust, "trust-writes", false, "take every write as carried out and read back at once")
	c.Flags().BoolVar(&events, "events", false, "also print every event as the journal would hold it")
	return c
}

const engineHelp = `engine runs the production decision core without broker, machine, journal or clock:
attach any model of a process. One JSON object a line in, one a line out.

Every line in may name its "machine" (not needed where there is one) and holds one of
  sample       {"counter":12,"permitted":true,"program":"P","registers":{"NAME":"0.004 mm"},
                "tools":{"T12":3},"serial":"S1"}   what the machine shows; what is left out stays
  reading      {"gauge":"G","sequence":7,"characteristic":"C","part":"12","cut":1,
                "value":"28.0131 mm","state":"","retained":false,"temperature":24.5,
                "gauge_temperature":21,"standard_temperature":20,    °C; and where it was read:
                "depth":"15 mm","orientation":60}                    degrees
  tool_change  {"tool":"T12"}           the control reports a new edge
  stop         {"minutes":30}           the machine stood still so long
  setting      {"gauge":"G","standard":"R","as_found":"0.004 mm","temperature":20}   the gauge was set; what it was off before
  outcome      {"intent":5,"result":"applied|notsent|refused|differs|unknown","read":"0.004 mm"}
  approve      {"proposal":3,"role":"setter"}        of the newest card of that number
  reject       {"proposal":3,"reason":"…"}
  hold, resume {"loop":"L","note":"…","cause":"CODE"}
  advance      {"minutes":1.5}          lets time pass
  barrier      "anything"               answered when everything due has been said

Lines out hold one of
  write          {"intent","loop","register","old","new"}   carry it out, then answer with outcome
  proposal       {"proposal","loop","need","because","moves":[{"register","old","new","size"}]}
  ended          {"proposal","loop","because"}
  measure_again  {"gauge","characteristic","part","because"}
  judged         {"characteristic","part","from_aim","used","because"}
  measured       {"characteristic","part","readings","raw","size","uncertainty","decision","says","how"}
                 of a judged reading that completed a measurement; raw is what the gauge showed, size what steers
  unfinished     {"characteristic","part","have","of","because"}   of a measurement of several readings
  outcome        {"intent","register","result"}
  hold, resumed  {"loop","cause","says"}
  declined       {"what","because"}
  barrier        as it came in
  error          a line that was not understood; it changed nothing
Time is virtual: samples never grow old, proposals expire in the minutes that advance lets pass.`

// engine is the core of every machine of a configuration, fed from lines.
type engine struct {
	out      *bufio.Writer
	machines map[string]*driven
	only     string
	trust    bool
	events   bool
}

// driven is one machine's core with the last sample it was shown.
type driven struct {
	state  *core.State
	mono   float64 // ms
	sample core.Sample
	plant  uint64 // records of the plant's stream so far
}

func newEngine(c *config.Config, trust, events bool, out io.Writer) (*engine, error) {
	e := &engine{out: bufio.NewWriter(out), machines: map[string]*driven{}, trust: trust, events: events}
	for i := range c.Machines {
		s := c.Settings(c.Machines[i].Name)
		s.Fresh = math.MaxInt64 / 4 // virtual time: a sample holds until the next
		m := &driven{state: &core.State{}, sample: core.Sample{Epoch: 1, Permitted: true}}
		m.sample.Tools, m.sample.Registers = make([]int64, len(s.Tools)), make([]length.Length, len(s.Registers))
		for k := range s.Loops {
			if s.Loops[k].Program != "" {
				m.sample.Program = s.Loops[k].Program
			}
		}
		for _, f := range []core.Fact{
			core.Started{Version: programVersion(), Epoch: 1}, core.Configure{Settings: s},
			core.Verified{OK: true}, core.Link{Up: true, Epoch: 1},
		} {
			m.step(f)
		}
		e.machines[s.Machine], e.only = m, s.Machine
	}
	if len(e.machines) != 1 {
		e.only = ""
	}
	return e, nil
}

func (m *driven) step(f core.Fact) []core.Event {
	return m.state.Step(core.Input{At: core.Instant{Mono: int64(m.mono), Wall: int64(m.mono)}, Fact: f})
}

// maxLine bounds one line in.
const maxLine = 64 << 10

func (e *engine) run(in io.Reader) error {
	lines := bufio.NewScanner(in)
	lines.Buffer(make([]byte, 4096), maxLine)
	for lines.Scan() {
		text := bytes.TrimSpace(lines.Bytes())
		if len(text) == 0 {
			continue
		}
		barrier, err := e.line(text)
		if err != nil {
			e.say("error", err.Error())
		}
		if barrier || err != nil {
			if err := e.out.Flush(); err != nil {
				return err
			}
		}
	}
	if err := lines.Err(); err != nil {
		return fmt.Errorf("a line in cannot be read, keep it within %d bytes: %w", maxLine, err)
	}
	return e.out.Flush()
}

// message is one line in.
type message struct {
	Machine    string          `json:"machine"`
	Sample     *sampleIn       `json:"sample"`
	Reading    *readingIn      `json:"reading"`
	ToolChange *toolIn         `json:"tool_change"`
	Stop       *minutesIn      `json:"stop"`
	Setting    *settingIn      `json:"setting"`
	Outcome    *outcomeIn      `json:"outcome"`
	Approve    *approveIn      `json:"approve"`
	Reject     *rejectIn       `json:"reject"`
	Hold       *scopeIn        `json:"hold"`
	Resume     *scopeIn        `json:"resume"`
	Advance    *minutesIn      `json:"advance"`
	Barrier    json.RawMessage `json:"barrier"`
}

type sampleIn struct {
	Counter   *uint64           `json:"counter"`
	Permitted *bool             `json:"permitted"`
	Program   *string           `json:"program"`
	Serial    *string           `json:"serial"`
	Lengths   map[string]string `json:"registers"`
	Tools     map[string]int64  `json:"tools"`
}

type readingIn struct {
	Gauge          string `json:"gauge"`
	Sequence       uint64 `json:"sequence"`
	Characteristic string `json:"characteristic"`
	Part           string `json:"part"`
	Cut            int    `json:"cut"`
	Value          string `json:"value"`
	State          string `json:"state"`
	Retained       bool   `json:"retained"`

	Celsius  *float64 `json:"temperature"`
	Frame    *float64 `json:"gauge_temperature"`
	Standard *float64 `json:"standard_temperature"`
	Depth    string   `json:"depth"`
	Degrees  *float64 `json:"orientation"`
}

type toolIn struct {
	Tool string `json:"tool"`
}

type minutesIn struct {
	Minutes float64 `json:"minutes"`
}

type settingIn struct {
	Gauge    string `json:"gauge"`
	Standard string `json:"standard"`
	AsFound  string `json:"as_found"`

	Celsius *float64 `json:"temperature"`
}

type outcomeIn struct {
	Intent uint64      `json:"intent"`
	Result core.Result `json:"result"`
	Code   core.Code   `json:"code"`
	Read   string      `json:"read"`
}

type approveIn struct {
	Proposal uint64    `json:"proposal"`
	Role     core.Role `json:"role"`
}

type rejectIn struct {
	Proposal uint64 `json:"proposal"`
	Reason   string `json:"reason"`
}

type scopeIn struct {
	Loop  string    `json:"loop"`
	Note  string    `json:"note"`
	Cause core.Code `json:"cause"`
}

// line takes one message.
func (e *engine) line(text []byte) (barrier bool, err error) {
	var m message
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&m); err != nil {
		return false, fmt.Errorf("the line is not a message of this program: %w", err)
	}
	if m.Barrier != nil {
		e.say("barrier", m.Barrier)
		return true, nil
	}
	name := m.Machine
	if name == "" {
		name = e.only
	}
	to := e.machines[name]
	if to == nil {
		return false, fmt.Errorf("machine %q is not configured, name one that is", m.Machine)
	}
	return false, e.take(to, &m)
}

func (e *engine) take(to *driven, m *message) error {
	who := core.Person{Principal: "engine", Role: core.Engineer, Auth: "engine"}
	switch {
	case m.Sample != nil:
		return e.sample(to, m.Sample)
	case m.Reading != nil:
		return e.reading(to, m.Reading)
	case m.ToolChange != nil:
		return e.toolChange(to, m.ToolChange.Tool)
	case m.Stop != nil:
		to.mono += 60_000 * max(0, m.Stop.Minutes)
		e.feed(to, core.Tick{})
	case m.Advance != nil:
		to.mono += 60_000 * max(0, m.Advance.Minutes)
		e.feed(to, core.Tick{})
	case m.Setting != nil:
		return e.setting(to, m.Setting, who)
	case m.Outcome != nil:
		return e.outcome(to, m.Outcome)
	case m.Approve != nil:
		who.Role = m.Approve.Role
		if who.Role == "" {
			who.Role = core.Setter
		}
		digest := ""
		for _, p := range to.state.Ledger.Proposals {
			if p.ID == m.Approve.Proposal {
				digest = p.Digest
			}
		}
		e.feed(to, core.Approve{Proposal: m.Approve.Proposal, Digest: digest, Who: who})
	case m.Reject != nil:
		e.feed(to, core.Reject{Proposal: m.Reject.Proposal, Reason: m.Reject.Reason, Who: who})
	case m.Hold != nil:
		e.feed(to, core.Hold{Loop: m.Hold.Loop, Note: m.Hold.Note, Who: who})
	case m.Resume != nil:
		e.feed(to, core.Resume{Loop: m.Resume.Loop, Cause: m.Resume.Cause, Note: m.Resume.Note, Who: who})
	default:
		return errors.New("the line holds no message, see offsetbridge engine --help")
	}
	return nil
}

func (e *engine) sample(to *driven, in *sampleIn) error {
	s, set := to.sample, &to.state.Ledger.Settings
	s.Tools, s.Registers = append([]int64(nil), s.Tools...), append([]length.Length(nil), s.Registers...)
	for name, text := range in.Lengths {
		i := index(set.Registers, name)
		if i < 0 {
			return fmt.Errorf("register %q is not configured on %s", name, set.Machine)
		}
		v, err := length.Parse(text)
		if err != nil {
			return fmt.Errorf("register %q: %w", name, err)
		}
		s.Registers[i] = v
	}
	for name, gen := range in.Tools {
		i := indexTool(set.Tools, name)
		if i < 0 {
			return fmt.Errorf("tool %q is not configured on %s", name, set.Machine)
		}
		s.Tools[i] = gen
	}
	put(&s.Counter, in.Counter)
	put(&s.Permitted, in.Permitted)
	put(&s.Program, in.Program)
	put(&s.Serial, in.Serial)
	to.sample = s
	e.feed(to, to.next())
	return nil
}

func put[T any](to *T, from *T) {
	if from != nil {
		*to = *from
	}
}

func index(registers []core.Register, name string) int {
	for i := range registers {
		if registers[i].Name == name {
			return i
		}
	}
	return -1
}

func indexTool(tools []string, name string) int {
	for i := range tools {
		if tools[i] == name {
			return i
		}
	}
	return -1
}

// next returns the sample as a newer look at the machine.
func (m *driven) next() core.Sample {
	m.sample.Order++
	return m.sample
}

func (e *engine) reading(to *driven, in *readingIn) error {
	v, err := length.Parse(in.Value)
	if err != nil {
		return fmt.Errorf("reading of %q: %w", in.Characteristic, err)
	}
	r := core.Reading{
		Gauge: in.Gauge, Sequence: in.Sequence, Characteristic: in.Characteristic, Part: in.Part, Cut: in.Cut,
		Value: v, State: in.State, Retained: in.Retained,
		Temp: thousandths[core.Celsius](in.Celsius), TempGauge: thousandths[core.Celsius](in.Frame),
		TempStandard: thousandths[core.Celsius](in.Standard), Turn: thousandths[core.Turn](in.Degrees),
	}
	if in.Depth != "" {
		at, err := length.Parse(in.Depth)
		if err != nil {
			return fmt.Errorf("depth of %q: %w", in.Characteristic, err)
		}
		r.Depth = &at
	}
	e.feed(to, r)
	return nil
}

// thousandths returns a number in thousandths, bounded; nil where there is none.
func thousandths[T ~int32 | ~int64](v *float64) *T {
	if v == nil {
		return nil
	}
	t := T(math.Round(1000 * max(-1e6, min(*v, 1e6))))
	return &t
}

// setting tells the machine's core what the plant's stream would: a gauge was put
// on its standard and adjusted.
func (e *engine) setting(to *driven, in *settingIn, who core.Person) error {
	found, err := length.Parse(in.AsFound)
	if err != nil {
		return fmt.Errorf("setting of %q: %w", in.Gauge, err)
	}
	to.plant++
	check := core.Check{Gauge: in.Gauge, Standard: in.Standard, AsFound: found, Who: who, Temp: thousandths[core.Celsius](in.Celsius)}
	e.feed(to, core.FromPlant{Record: to.plant, Event: core.Set{Check: check}})
	return nil
}

func (e *engine) toolChange(to *driven, tool string) error {
	i := indexTool(to.state.Ledger.Settings.Tools, tool)
	if i < 0 {
		return fmt.Errorf("tool %q is not configured", tool)
	}
	to.sample.Tools = append([]int64(nil), to.sample.Tools...)
	to.sample.Tools[i]++
	e.feed(to, to.next())
	return nil
}

func (e *engine) outcome(to *driven, in *outcomeIn) error {
	o := core.Outcome{Intent: in.Intent, Result: in.Result, Code: in.Code}
	if in.Read != "" {
		v, err := length.Parse(in.Read)
		if err != nil {
			return fmt.Errorf("outcome %d: %w", in.Intent, err)
		}
		o.Read = v
	}
	for _, b := range to.state.Ledger.Registers {
		if b.Pending != nil && b.Pending.ID == in.Intent && in.Result == core.Applied {
			e.written(to, &o, *b.Pending)
			break
		}
	}
	e.feed(to, o)
	return nil
}

// written puts the new value into what the machine shows.
func (e *engine) written(to *driven, o *core.Outcome, in core.Intent) {
	to.sample.Registers = append([]length.Length(nil), to.sample.Registers...)
	to.sample.Registers[index(to.state.Ledger.Settings.Registers, in.Register)] = in.New
	s := to.next()
	o.Read, o.Sample = in.New, &s
}

// feed hands a fact to the core and says what came of it.
func (e *engine) feed(to *driven, f core.Fact) {
	for _, event := range to.step(f) {
		if e.events {
			e.say("event", map[string]any{"kind": event.Kind(), "body": json.RawMessage(core.Encode(event))})
		}
		e.tell(event)
		if in, ok := event.(core.Intended); ok && e.trust {
			o := core.Outcome{Intent: in.Intent.ID, Result: core.Applied}
			e.written(to, &o, in.Intent)
			e.feed(to, o)
		}
	}
}
