package cell

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"

	"offsetbridge/simulators/machine"
)

// Workpiece is what a gauge on another computer finds on the last part: the true
// sizes, to which it adds its own error. A machine that runs alone shows it at
// its server, in place of a part that is carried over.
type Workpiece struct {
	Machine string             `json:"machine"`
	Count   uint64             `json:"count"`
	Serial  string             `json:"serial,omitempty"`
	Sizes   map[string]float64 `json:"sizes"` // mm, by characteristic
}

// Alone starts one machine without broker and gauges. The options say where it
// listens and what it does not tell; registers of no feature may stand in them.
func Alone(m Machine, o machine.Options, seed uint64) (*Unit, error) {
	u, err := startUnit(m, o)
	if err != nil {
		return nil, err
	}
	for k, f := range m.Features {
		u.process(f, seed+uint64(k)*17)
	}
	return u, nil
}

// Make cuts one part and leaves it to be gauged.
func (u *Unit) Make(during func()) (Made, []string) {
	tools := u.Prepare()
	m := u.Cut(during)
	w := Workpiece{Machine: u.Machine.Name, Count: m.Count, Serial: u.Server.State().PartSerial, Sizes: map[string]float64{}}
	for _, s := range m.Features {
		w.Sizes[s.Name] = s.True
	}
	b, err := json.Marshal(w)
	if err != nil {
		return m, tools // sizes are finite
	}
	u.Server.Update(func(st *machine.State) { st.Workpiece = string(b) })
	return m, tools
}

// Pace of a gauge that waits for parts.
const (
	lookEvery  = 50 * time.Millisecond
	dialPause  = 500 * time.Millisecond
	lookAnswer = 3 * time.Second
)

// Watch hands over every part that a machine alone makes from now on, until ctx
// ends; an outage is sat out. say tells what changes about the connection.
func Watch(ctx context.Context, endpoint string, say func(string), hand func(Workpiece)) {
	last, first := uint64(0), true
	for told := ""; ctx.Err() == nil; {
		err := look(ctx, endpoint, func(w Workpiece) {
			if !first && w.Count != last {
				hand(w)
			}
			first, last, told = false, w.Count, ""
		})
		if ctx.Err() != nil {
			return
		}
		if text := fmt.Sprint(err); text != told {
			told = text
			say(fmt.Sprintf("no parts from %s: %v, trying again", endpoint, err))
		}
		select {
		case <-ctx.Done():
		case <-time.After(dialPause):
		}
	}
}

// look reads the last part again and again on one connection; before the first
// part its count is 0.
func look(ctx context.Context, endpoint string, seen func(Workpiece)) error {
	c, err := opcua.NewClient(endpoint, opcua.SecurityMode(ua.MessageSecurityModeNone), opcua.AutoReconnect(false), opcua.RequestTimeout(lookAnswer))
	if err != nil {
		return err
	}
	if err := c.Connect(ctx); err != nil {
		return err
	}
	defer c.Close(context.WithoutCancel(ctx)) //nolint:errcheck // a simulator
	index, err := c.FindNamespace(ctx, machine.BuilderURI)
	if err != nil {
		return fmt.Errorf("it is no simulated machine: %w", err)
	}
	id := ua.NewStringNodeID(index, "Production/Workpiece")
	for {
		res, err := c.Read(ctx, &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{{NodeID: id, AttributeID: ua.AttributeIDValue}}})
		if err != nil {
			return err
		}
		var w Workpiece
		if v := res.Results[0]; v.Value != nil {
			text, _ := v.Value.Value().(string)
			if text != "" {
				if err := json.Unmarshal([]byte(text), &w); err != nil {
					return fmt.Errorf("its workpiece is no JSON: %w", err)
				}
			}
			seen(w)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(lookEvery):
		}
	}
}
