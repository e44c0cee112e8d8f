package app

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"slices"

	"go.uber.org/zap"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/intake"
	"offsetbridge/internal/length"
	"offsetbridge/internal/machine"
)

// machineOptions says a machine's configuration in the edge's words.
func machineOptions(m *config.Machine, mono func() int64, log *zap.Logger) (machine.Options, error) {
	password, err := m.Security.Login.Password()
	if err != nil {
		return machine.Options{}, fmt.Errorf("machine %q: %w", m.Name, err)
	}
	o := machine.Options{
		Name: m.Name, Endpoint: m.Endpoint, Serial: m.Serial, SerialNode: m.Nodes.Serial, Demo: m.Demo,
		Security: machine.Security{
			Policy: m.Security.Policy, Mode: m.Security.Mode, Pinned: m.Security.ServerCertificate,
			CertificateFile: m.Security.CertFile, KeyFile: m.Security.KeyFile,
			User: m.Security.Login.User, Password: password, Plain: m.Security.PlainPassword,
		},
		Counter: machine.Node{ID: m.Nodes.Counter}, Program: machine.Node{ID: m.Nodes.Program},
		Permitted:  machine.Node{ID: m.Nodes.Permitted, Equals: m.Nodes.PermittedWhen},
		PartSerial: machine.Node{ID: m.Nodes.PartSerial}, Owner: machine.Node{ID: m.Nodes.Owner},
		Answer: m.Answer, Window: m.Window, Quarantine: m.Quarantine, Poll: m.Poll, Now: mono, Log: log,
	}
	for _, t := range m.Tools {
		o.Tools = append(o.Tools, machine.Tool{Name: t.Name, Generation: machine.Node{ID: t.Generation}})
	}
	for _, r := range m.Registers {
		o.Registers = append(o.Registers, machine.Register{
			Name: r.Name, Node: machine.Node{ID: r.Node}, Unit: r.Unit, Step: r.Step, Band: r.Band, Text: r.Text, Number: r.Number,
		})
	}
	if h := m.Handover; h != nil {
		node := func(id string) machine.Node { return machine.Node{ID: id} }
		o.Handover = &machine.Handover{
			Request: node(h.Request), Register: node(h.Register), Old: node(h.Old), New: node(h.New), Check: node(h.Check),
			Acknowledged: node(h.Acknowledged), Result: node(h.Result),
		}
	}
	return o, nil
}

// intakeOptions says the broker's and the gauges' configuration in the edge's
// words.
func intakeOptions(c *config.Config, log *zap.Logger) (intake.Options, error) {
	password, err := c.MQTT.Login.Password()
	if err != nil {
		return intake.Options{}, fmt.Errorf("mqtt: %w", err)
	}
	secure, err := tlsConfig(&c.MQTT)
	if err != nil {
		return intake.Options{}, fmt.Errorf("mqtt: %w", err)
	}
	o := intake.Options{
		Broker: c.MQTT.Broker, ClientID: c.MQTT.ClientID, User: c.MQTT.Login.User, Password: password,
		TLS: secure, Silence: c.MQTT.Silence, Log: log,
	}
	for i := range c.Gauges {
		o.Gauges = append(o.Gauges, intakeGauge(&c.Gauges[i]))
	}
	for i := range c.Announcements {
		o.Gauges = append(o.Gauges, announcement(&c.Announcements[i]))
	}
	return o, nil
}

func intakeGauge(g *config.Gauge) intake.Gauge {
	m := g.Message
	return intake.Gauge{
		Name: g.Name, Topic: g.Topic, Kind: intake.KindReading, Identity: g.Identity,
		Range: g.Range, Resolution: g.Resolution, MaxDecimals: g.MaxDecimals,
		BareNumber: g.BareNumber, TextNumbers: g.TextNumbers, CommaText: g.DecimalComma,
		TimeFormat: g.TimeFormat, Production: production(g), Fahrenheit: g.Fahrenheit, DepthUnit: g.DepthUnit,
		Fields: intake.Fields{
			Value: source(m.Value), Unit: source(m.Unit), Sequence: source(m.Sequence), Time: source(m.Time),
			Characteristic: source(m.Characteristic), Machine: source(m.Machine), Part: source(m.Part),
			Cut: source(m.Cut), State: source(m.State),
			Temperature: source(m.Temperature), GaugeTemperature: source(m.GaugeTemperature),
			StandardTemperature: source(m.StandardTemperature), Depth: source(m.Depth), Orientation: source(m.Orientation),
		},
		Rate: gaugeRate, Burst: gaugeBurst,
	}
}

// production returns the words of a part of the series, where the message brings
// one: the standing word is among them without being listed.
func production(g *config.Gauge) []string {
	if g.Message.State.Kind == config.Constant || slices.Contains(g.ProductionWhen, config.Production) {
		return g.ProductionWhen
	}
	return append([]string{config.Production}, g.ProductionWhen...)
}

func announcement(a *config.Announcement) intake.Gauge {
	m, kind := a.Message, intake.KindPair
	switch a.Kind {
	case config.Task:
		kind = intake.KindTask
	case config.Setting:
		return ringStation(a, intake.KindSetting)
	case config.RingCheck:
		return ringStation(a, intake.KindRingCheck)
	}
	return intake.Gauge{
		Name: a.Name, Topic: a.Topic, Kind: kind, TaskFor: a.Lasts, Rate: gaugeRate, Burst: gaugeBurst,
		Fields: intake.Fields{
			Machine: source(m.Machine), Part: source(m.Part), Counter: source(m.Counter), Gauge: source(m.Gauge),
			Characteristic: source(m.Characteristic), Cut: source(m.Cut), Ring: source(m.Ring),
		},
	}
}

// ringStation says what a gauge read on its standard. An as-found deviation is
// small and may come in any unit.
func ringStation(a *config.Announcement, kind intake.Kind) intake.Gauge {
	m := a.Message
	return intake.Gauge{
		Name: a.Name, Topic: a.Topic, Kind: kind, Rate: gaugeRate, Burst: gaugeBurst,
		Range: length.Range{Low: -length.Millimetre, High: length.Millimetre}, Resolution: length.Nanometre, MaxDecimals: 8,
		TextNumbers: a.TextNumbers, CommaText: a.DecimalComma, TimeFormat: a.TimeFormat, Fahrenheit: a.Fahrenheit,
		Fields: intake.Fields{
			Gauge: source(m.Gauge), Ring: source(m.Standard), Value: source(m.AsFound), Unit: source(m.Unit),
			Person: source(m.Person), Temperature: source(m.Temperature), Sequence: source(m.Sequence), Time: source(m.Time),
		},
	}
}

// A gauge that sends more than this is broken; a backlog after an outage is not:
// what the shipped broker's configuration keeps for us may come at once.
const (
	gaugeRate  = 20
	gaugeBurst = 20_000
)

func source(f config.Field) intake.Source {
	switch f.Kind {
	case config.Pointer:
		return intake.Source{Pointer: f.Text, Optional: f.Optional}
	case config.Level:
		return intake.Source{Level: f.Text}
	case config.Absent:
		return intake.Source{}
	}
	return intake.Source{Constant: f.Text}
}

// tlsConfig returns how the broker is checked and how we show who we are.
func tlsConfig(m *config.MQTT) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if m.CAFile != "" {
		pem, err := os.ReadFile(m.CAFile)
		if err != nil {
			return nil, fmt.Errorf("ca_file %q cannot be read: %w", m.CAFile, err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("ca_file %q holds no certificate, give one in PEM form", m.CAFile)
		}
	}
	if m.CertFile != "" {
		pair, err := tls.LoadX509KeyPair(m.CertFile, m.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("cert_file %q and key_file %q do not go together: %w", m.CertFile, m.KeyFile, err)
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}

func init() {
	core.AddWords(machine.Words)
	core.AddWords(intake.Words())
	core.AddWords(Words)
}
