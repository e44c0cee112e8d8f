// Package config reads the configuration of a plant from strict TOML.
//
// Every quantity carries its unit, every key is known, and nothing that could
// hurt has a default: what is not said is asked for. Load and Parse report all
// problems at once, each with its line, its key, the value found and what to
// write instead, and return a configuration only when there are none. The same
// bytes always give the same configuration. Passwords never stand in the file.
package config

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"github.com/BurntSushi/toml"

	"offsetbridge/internal/account"
	"offsetbridge/internal/core"
	"offsetbridge/internal/gauge"
)

// Config is one accepted configuration. Paths are as written, or relative to
// the folder of the file made so that they can be opened.
type Config struct {
	Journal       Journal
	Socket        Socket
	Page          Page
	Metrics       Metrics
	People        []account.Person
	Tokens        []account.Token
	MQTT          MQTT
	Standards     []gauge.Standard
	Gauges        []Gauge
	Announcements []Announcement
	Machines      []Machine
	Loops         []Loop
	Warnings      Problems // worth a look, not refused
	Notes         Problems // what to know about the drawing callouts in use

	name     string         // of the file, for messages
	gauges   map[string]int // index of the first of each name
	machines map[string]int
}

// Journal says where the record of everything is kept, and how long.
type Journal struct {
	Directory string
	Keep      time.Duration // older sealed segments may be removed
}

// Socket is the local door for the command line.
type Socket struct {
	Path string
}

// maxBytes bounds a configuration file: 10,000 loops take about 6 MB.
const maxBytes = 16 << 20

// Load reads and checks the file at path, with those it includes. The error is
// Problems when they could be read but not accepted.
func Load(path string) (*Config, error) {
	files, err := ReadFiles(path)
	if err != nil {
		return nil, err
	}
	return ParseFiles(files)
}

// Parse checks a configuration that was read from the file called name, and includes
// nothing. The error is always Problems.
func Parse(name string, data []byte) (*Config, error) { return ParseFiles([]File{{name, data}}) }

func parse(name string, data []byte, more ...File) (*Config, *reader) {
	r := &reader{file: name, asked: map[string]bool{}, from: map[string]string{}, like: map[string]string{}}
	size := len(data)
	for _, f := range more {
		size += len(f.Data)
	}
	if size > maxBytes {
		r.add(&r.problems, Problem{Say: fmt.Sprintf("the file is larger than %d MB, split the plant", maxBytes>>20)})
		return nil, r
	}
	text := string(data)
	r.lines = indexLines(text)
	if r.lines.depth > deepest {
		r.add(&r.problems, Problem{Say: fmt.Sprintf("lists nest %d deep, write at most %d", r.lines.depth, deepest)})
		return nil, r
	}
	root := map[string]any{}
	if _, err := toml.Decode(text, &root); err != nil {
		r.add(&r.problems, syntax(err))
		return nil, r
	}
	for _, f := range more {
		r.include(root, f)
	}
	top := &table{r: r, m: root}
	c := &Config{name: name}
	c.read(top, filepath.Dir(name))
	top.close()
	return c, r
}

// syntax turns the parser's error into a problem; nothing else can be checked
// until it is solved.
func syntax(err error) Problem {
	var p toml.ParseError
	if !errors.As(err, &p) {
		return Problem{Say: strings.TrimPrefix(err.Error(), "toml: ") + ", correct it; the rest is checked afterwards"}
	}
	key := p.LastKey
	if secret(key) {
		return Problem{Line: p.Position.Line, Key: key, Say: "is not valid TOML, correct it; the rest is checked afterwards"}
	}
	return Problem{Line: p.Position.Line, Key: key, Say: "is not valid TOML (" + clip(strings.TrimSuffix(p.Message, ".")) + "), correct it; the rest is checked afterwards"}
}

func (c *Config) read(t *table, dir string) {
	if v, ok := t.get("version"); !ok {
		t.problem("version", "is missing, write version = 1 at the top")
	} else if v != int64(1) {
		t.problem("version", "is a format this program does not know, write version = 1 or use a newer program")
	}
	t.words("include", `["machines/*.toml"]`) // read before, see ReadFiles
	t.r.useTemplates(t)
	c.readJournal(t, dir)
	c.readPage(t, dir)
	c.readMetrics(t)
	c.MQTT = readMQTT(t, dir)
	for _, s := range t.tables("standard") {
		c.Standards = append(c.Standards, readStandard(s))
	}
	for _, g := range t.tables("gauge") {
		c.Gauges = append(c.Gauges, readGauge(g))
		first(&c.gauges, c.Gauges[len(c.Gauges)-1].Name, len(c.Gauges)-1)
	}
	for _, a := range t.tables("announcement") {
		c.Announcements = append(c.Announcements, readAnnouncement(a))
	}
	for _, m := range t.tables("machine") {
		c.Machines = append(c.Machines, readMachine(m, dir))
		first(&c.machines, c.Machines[len(c.Machines)-1].Name, len(c.Machines)-1)
	}
	for _, l := range t.tables("loop") {
		c.Loops = append(c.Loops, c.readLoop(l))
	}
	c.checkPlant(t)
}

func (c *Config) readJournal(t *table, dir string) {
	c.Journal.Keep = 730 * 24 * time.Hour
	if j := t.table("journal"); j == nil && !t.has("journal") {
		t.problem("journal", "is missing, write [journal] with directory = \"/var/lib/offsetbridge\"")
	} else if j != nil {
		if s, ok := j.need("directory", "the folder that keeps the record, as in \"/var/lib/offsetbridge\""); ok {
			c.Journal.Directory = rooted(dir, s)
		}
		c.Journal.Keep, _ = j.duration("keep", c.Journal.Keep, time.Hour, longest)
		j.close()
	}
	c.Socket.Path = filepath.Join(c.Journal.Directory, defaultSocket)
	s := t.table("socket")
	if s == nil {
		s = &table{r: t.r, kind: "socket", key: "socket", path: "socket"}
	}
	if p, ok := s.text("path"); ok {
		c.Socket.Path = rooted(dir, p)
	}
	// The operating system keeps 108 bytes for the address, one of them to end it.
	if len(c.Socket.Path) > 100 {
		s.problem("path", "is %d bytes long with its folder (%q), write a path of at most 100", len(c.Socket.Path), clip(c.Socket.Path))
	}
	s.close()
}

// rooted makes a relative path relative to the folder of the file.
func rooted(dir, path string) string {
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(dir, path)
}

// first remembers where the first thing of a name is.
func first(index *map[string]int, name string, at int) {
	if *index == nil {
		*index = map[string]int{}
	}
	if _, ok := (*index)[name]; !ok && name != "" {
		(*index)[name] = at
	}
}

// Machine returns the machine of that name, nil when there is none.
func (c *Config) Machine(name string) *Machine {
	if i, ok := c.machines[name]; ok {
		return &c.Machines[i]
	}
	return nil
}

// Gauge returns the gauge of that name, nil when there is none.
func (c *Config) Gauge(name string) *Gauge {
	if i, ok := c.gauges[name]; ok {
		return &c.Gauges[i]
	}
	return nil
}

// Settings returns what the core needs to know of one machine: its loops in the
// order of the file, and nothing of any other machine. An unknown name gives
// empty settings.
func (c *Config) Settings(machine string) core.Settings {
	m := c.Machine(machine)
	if m == nil {
		return core.Settings{}
	}
	s := core.Settings{
		Machine:    m.Name,
		Identity:   m.Serial,
		ByHand:     m.ByHand,
		Demo:       m.Demo,
		CountsAt:   m.CountsAt,
		Effective:  m.Effective,
		Fresh:      m.Fresh.Milliseconds(),
		Window:     m.Window.Milliseconds(),
		Answer:     m.Answer.Milliseconds(),
		Quarantine: m.Quarantine.Milliseconds(),
		Lacks:      m.Lacks(),
	}
	for _, tool := range m.Tools {
		s.Tools = append(s.Tools, tool.Name)
	}
	for _, r := range m.Registers {
		s.Registers = append(s.Registers, r.Register)
	}
	for _, l := range c.Loops {
		if l.Machine == machine {
			s.Loops = append(s.Loops, l.Loop)
		}
	}
	s.Gauges = c.trusts(s.Loops)
	return s
}
