package app

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"go.uber.org/zap"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/intake"
)

// corpus is every configuration that is accepted: the shipped ones and the good
// ones of the corpus.
func corpus(t *testing.T) map[string]*config.Config {
	t.Helper()
	all := map[string]*config.Config{}
	add := func(name string, c *config.Config, err error) {
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		all[name] = c
	}
	c, err := config.Parse("demo.toml", config.Demo)
	add("demo.toml", c, err)
	c, err = config.Parse("cell.toml", config.Cell)
	add("cell.toml", c, err)
	files, err := filepath.Glob("../../testdata/config/good/*.toml")
	if err != nil || len(files) < 5 {
		t.Fatalf("%d good files: %v", len(files), err)
	}
	for _, f := range files {
		c, err := config.Load(f)
		add(filepath.Base(f), c, err)
	}
	return all
}

// here lets a configuration of another computer be mapped on this one: its
// passwords stand in the environment, its files are left out.
func here(t *testing.T, c *config.Config) {
	t.Helper()
	t.Setenv("SECRET", "secret")
	login := func(l *config.Login) {
		if l.User != "" {
			l.PasswordFile, l.PasswordEnv = "", "SECRET"
		}
	}
	login(&c.MQTT.Login)
	c.MQTT.CAFile, c.MQTT.CertFile, c.MQTT.KeyFile = "", "", ""
	for i := range c.Machines {
		login(&c.Machines[i].Security.Login)
	}
}

// TestEveryAcceptedConfigurationMaps: what config accepts, the edges accept too.
func TestEveryAcceptedConfigurationMaps(t *testing.T) {
	for name, c := range corpus(t) {
		t.Run(name, func(t *testing.T) {
			here(t, c)
			for i := range c.Machines {
				m := &c.Machines[i]
				if m.ByHand {
					continue // no edge connects to it
				}
				o, err := machineOptions(m, monotonic(), zap.NewNop())
				if err != nil {
					t.Fatal(err)
				}
				if err := o.Check(); err != nil {
					t.Errorf("machine %s: %v", m.Name, err)
				}
				settings := c.Settings(m.Name)
				if len(o.Registers) != len(settings.Registers) || len(o.Tools) != len(settings.Tools) {
					t.Fatalf("machine %s: the edge reads %d registers and %d tools, the core knows %d and %d",
						m.Name, len(o.Registers), len(o.Tools), len(settings.Registers), len(settings.Tools))
				}
				for k, r := range settings.Registers { // a sample is a row of columns: their order is their meaning
					x := o.Registers[k]
					if x.Name != r.Name || x.Node.ID != r.Node || x.Unit != r.Unit || x.Step != r.Step || x.Band != r.Band {
						t.Errorf("column %d is %+v at the edge and %+v in the core", k, x, r)
					}
				}
				for k, tool := range settings.Tools {
					if o.Tools[k].Name != tool {
						t.Errorf("tool %d is %q at the edge and %q in the core", k, o.Tools[k].Name, tool)
					}
				}
			}
			mapsIntake(t, c)
		})
	}
}

func mapsIntake(t *testing.T, c *config.Config) {
	t.Helper()
	if len(c.Gauges) == 0 {
		return
	}
	o, err := intakeOptions(c, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	if len(o.Gauges) != len(c.Gauges)+len(c.Announcements) {
		t.Errorf("%d gauges and %d announcements gave %d mappings", len(c.Gauges), len(c.Announcements), len(o.Gauges))
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	in, err := intake.Open(ended, o) // checks the options before it connects
	if err != nil {
		t.Fatalf("the intake refuses the mapping: %v", err)
	}
	in.Close()
}

// TestAStandingWordForProduction: "production" means a part of the series
// wherever the message says the state, and nowhere else.
func TestAStandingWordForProduction(t *testing.T) {
	for _, c := range []struct {
		state config.Field
		words []string
		want  []string
	}{
		{config.Field{Kind: config.Pointer, Text: "/state"}, nil, []string{"production"}},
		{config.Field{Kind: config.Pointer, Text: "/state"}, []string{"series"}, []string{"production", "series"}},
		{config.Field{Kind: config.Level, Text: "state"}, []string{"production"}, []string{"production"}},
		{config.Field{Kind: config.Constant, Text: "test"}, nil, nil},
	} {
		g := config.Gauge{ProductionWhen: c.words}
		g.Message.State = c.state
		if got := production(&g); !slices.Equal(got, c.want) {
			t.Errorf("state %+v with %q gives %q, want %q", c.state, c.words, got, c.want)
		}
	}
}

// TestSecretsThatAreNotThere: a missing password or certificate is one sentence
// that names it.
func TestSecretsThatAreNotThere(t *testing.T) {
	m := config.Machine{Name: "mill-1"}
	m.Security.Login = config.Login{User: "bridge", PasswordEnv: "OFFSETBRIDGE_TEST_NOT_SET"}
	if _, err := machineOptions(&m, monotonic(), zap.NewNop()); !errors.Is(err, config.ErrSecret) {
		t.Errorf("no password for the machine: %v", err)
	}
	c := config.Config{}
	c.MQTT.Login = m.Security.Login
	if _, err := intakeOptions(&c, zap.NewNop()); !errors.Is(err, config.ErrSecret) {
		t.Errorf("no password for the broker: %v", err)
	}
	dir := t.TempDir()
	empty := filepath.Join(dir, "empty.pem")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, m := range []config.MQTT{
		{CAFile: filepath.Join(dir, "gone.pem")}, {CAFile: empty}, {CertFile: empty, KeyFile: empty},
	} {
		if _, err := tlsConfig(&m); err == nil {
			t.Errorf("%+v is accepted", m)
		}
	}
	if c, err := tlsConfig(&config.MQTT{}); err != nil || c.RootCAs != nil || len(c.Certificates) != 0 {
		t.Errorf("without files: %+v %v", c, err)
	}
}

// TestEveryCodeHasItsSentence: what the edges and this package can say is said
// in words.
func TestEveryCodeHasItsSentence(t *testing.T) {
	for _, c := range []core.Code{"m-dial", "b-down", codeNowhere, codeSeveral, codeNoMachine, codeNotThisMachine, codeHoldFile} {
		if c.Words() == string(c) {
			t.Errorf("code %s has no words", c)
		}
	}
}
