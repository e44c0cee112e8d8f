// Package gauge simulates a gauge that publishes its readings over MQTT, in
// good order or, on demand, with the faults that gauges and gateways have.
//
// It knows the message it sends and nothing of who reads it.
package gauge

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Options sets up a gauge.
type Options struct {
	Broker   string // "tcp://host:port"
	ClientID string // empty: made from Station
	User     string
	Password string
	Station  string // the gauge's own name
	Topic    string // where it publishes
	Unit     string // "mm", "µm" or "in"; empty is "mm"
	Decimals int    // digits after the point; a real gauge rounds to what it shows
	Text     bool   // numbers in quotes
	QoS0     bool   // publish without acknowledgement
	Form     *Form  // nil is the primary form
}

// Reading is what the gauge has measured.
type Reading struct {
	Sequence       uint64    // 0 leaves it out
	Time           time.Time // zero leaves it out
	Characteristic string
	Nanometres     int64
	Part           string
	Cut            int    // 0 leaves it out
	State          string // empty is "production"
}

// Fault is something that goes wrong with a message.
type Fault string

// The faults that Send knows.
const (
	Twice     Fault = "twice"      // the message is published two times
	Retained  Fault = "retained"   // published so that the broker keeps it
	WrongUnit Fault = "wrong unit" // the number stays, the unit says something else
	NoUnit    Fault = "no unit"
	Late      Fault = "late"     // held back until the next message has gone
	Bare      Fault = "bare"     // the number alone
	Exponent  Fault = "exponent" // as some languages print numbers
	CutOff    Fault = "cut off"  // half a message
	SecondKey Fault = "two keys" // the value stands in it twice

	// Of gateways between a gauge and the broker.
	Comma    Fault = "comma"    // a decimal comma, in quotes
	Empty    Fault = "empty"    // the value is an empty string
	Nothing  Fault = "nothing"  // the message is empty
	Renumber Fault = "renumber" // the sequence starts again at 1
	Reused   Fault = "reused"   // the sequence of the reading before stands in it
)

// Gauge is a connected gauge. One goroutine may use it.
type Gauge struct {
	o      Options
	client mqtt.Client
	held   [][]byte // late messages
}

const sendTimeout = 10 * time.Second

// Dial connects the gauge. It connects again by itself when the broker comes
// back.
func Dial(ctx context.Context, o Options) (*Gauge, error) {
	if o.Unit == "" {
		o.Unit = "mm"
	}
	if _, ok := sizes[o.Unit]; !ok {
		return nil, fmt.Errorf("gauge %q: unit %q is not known, use mm, µm or in", o.Station, o.Unit)
	}
	if o.ClientID == "" {
		o.ClientID = "gauge-" + o.Station
	}
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(o.Broker).SetClientID(o.ClientID).
		SetUsername(o.User).SetPassword(o.Password).SetProtocolVersion(4).SetCleanSession(false).
		SetStore(mqtt.NewOrderedMemoryStore()).
		SetKeepAlive(4 * time.Second).SetPingTimeout(2 * time.Second).
		SetAutoReconnect(true).SetMaxReconnectInterval(time.Second).SetWriteTimeout(5 * time.Second))
	g := &Gauge{o: o, client: client}
	return g, g.wait(ctx, client.Connect())
}

func (g *Gauge) wait(ctx context.Context, t mqtt.Token) error {
	timer := time.NewTimer(sendTimeout)
	defer timer.Stop()
	select {
	case <-t.Done():
		if err := t.Error(); err != nil {
			return fmt.Errorf("gauge %q: %w", g.o.Station, err)
		}
		return nil
	case <-ctx.Done():
		return fmt.Errorf("gauge %q: %w", g.o.Station, ctx.Err())
	case <-timer.C:
		return fmt.Errorf("gauge %q: broker %s did not answer within %v", g.o.Station, g.o.Broker, sendTimeout)
	}
}

// Send publishes a reading and returns once the broker has it. A late message
// goes out behind the next one.
func (g *Gauge) Send(ctx context.Context, r Reading, faults ...Fault) error {
	payload, retained, times := g.Payload(r, faults...), false, 1
	for _, f := range faults {
		switch f {
		case Late:
			g.held = append(g.held, payload)
			return nil
		case Retained:
			retained = true
		case Twice:
			times = 2
		}
	}
	batch := append([][]byte(nil), payload)
	for range times - 1 {
		batch = append(batch, payload)
	}
	batch = append(batch, g.held...)
	g.held = nil
	var errs []error
	for _, p := range batch {
		errs = append(errs, g.SendRaw(ctx, p, retained))
	}
	return errors.Join(errs...)
}

// SendRaw publishes bytes as they are.
func (g *Gauge) SendRaw(ctx context.Context, payload []byte, retained bool) error {
	return g.wait(ctx, g.publish(payload, retained))
}

// Stream publishes raw messages without waiting for each; it returns once the
// broker has them all.
func (g *Gauge) Stream(ctx context.Context, n int, payload func(i int) []byte) error {
	const window = 256
	var tokens []mqtt.Token
	for i := range n {
		tokens = append(tokens, g.publish(payload(i), false))
		if len(tokens) >= window {
			if err := g.wait(ctx, tokens[0]); err != nil {
				return err
			}
			tokens = tokens[1:]
		}
	}
	for _, t := range tokens {
		if err := g.wait(ctx, t); err != nil {
			return err
		}
	}
	return nil
}

func (g *Gauge) publish(payload []byte, retained bool) mqtt.Token {
	qos := byte(1)
	if g.o.QoS0 {
		qos = 0
	}
	return g.client.Publish(g.o.Topic, qos, retained, payload)
}

// Close disconnects. Messages held back are lost, as in a real gauge.
func (g *Gauge) Close() { g.client.Disconnect(250) }

// Payload returns the message for a reading.
func (g *Gauge) Payload(r Reading, faults ...Fault) []byte {
	number, unit := g.o.number(r.Nanometres), g.o.Unit
	has := map[Fault]bool{}
	for _, f := range faults {
		has[f] = true
	}
	switch {
	case has[Nothing]:
		return []byte{}
	case has[Renumber]:
		r.Sequence = min(r.Sequence, 1)
	case has[Reused] && r.Sequence > 1:
		r.Sequence--
	}
	if has[Bare] {
		return []byte(number)
	}
	if has[Exponent] {
		number += "e0"
	}
	if has[WrongUnit] {
		unit = map[string]string{"mm": "in", "µm": "mm", "in": "mm"}[unit]
	}
	if g.o.Form != nil {
		return g.o.formed(r, number, unit, has)
	}
	switch {
	case has[Empty]:
		number = `""`
	case has[Comma]:
		number = strconv.Quote(strings.Replace(number, ".", ",", 1))
	case g.o.Text:
		number = strconv.Quote(number)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `{"v":1,"station":%s`, quoted(g.o.Station))
	if r.Sequence != 0 {
		fmt.Fprintf(&b, `,"sequence":%d`, r.Sequence)
	}
	if !r.Time.IsZero() {
		fmt.Fprintf(&b, `,"time":%s`, quoted(r.Time.UTC().Format("2006-01-02T15:04:05.000Z")))
	}
	fmt.Fprintf(&b, `,"characteristic":%s,"value":%s`, quoted(r.Characteristic), number)
	if has[SecondKey] {
		fmt.Fprintf(&b, `,"value":%s`, number)
	}
	if !has[NoUnit] {
		fmt.Fprintf(&b, `,"unit":%s`, quoted(unit))
	}
	fmt.Fprintf(&b, `,"part":%s`, quoted(r.Part))
	if r.Cut != 0 {
		fmt.Fprintf(&b, `,"cut":%d`, r.Cut)
	}
	if r.State == "" {
		r.State = "production"
	}
	fmt.Fprintf(&b, `,"state":%s}`, quoted(r.State))
	if has[CutOff] {
		return []byte(b.String()[:b.Len()/2])
	}
	return []byte(b.String())
}

// quoted returns a JSON string.
func quoted(s string) string {
	b, _ := json.Marshal(s) // a string always encodes
	return string(b)
}

// sizes of the units in nanometres; 1 in = 25.4 mm by definition.
var sizes = map[string]int64{"mm": 1_000_000, "µm": 1_000, "in": 25_400_000}

// number rounds nanometres to the gauge's display, half away from zero.
func (o Options) number(nm int64) string {
	size, sign := sizes[o.Unit], ""
	if nm < 0 {
		nm, sign = -nm, "-"
	}
	pow := int64(1)
	for range o.Decimals {
		pow *= 10
	}
	whole, rest := nm/size, nm%size
	fraction := (rest*pow*2 + size) / (2 * size)
	if fraction == pow {
		whole, fraction = whole+1, 0
	}
	if whole == 0 && fraction == 0 {
		sign = ""
	}
	if o.Decimals == 0 {
		return sign + strconv.FormatInt(whole, 10)
	}
	return fmt.Sprintf("%s%d.%0*d", sign, whole, o.Decimals, fraction)
}
