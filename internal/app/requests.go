package app

import (
	"encoding/json"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
)

// requestMessage is what is published when a second reading of a part is wanted,
// and once more when it is not wanted any more.
type requestMessage struct {
	Version        int    `json:"version"`
	Request        string `json:"request"` // "machine/number"
	State          string `json:"state"`   // "open", or why it ended: "answered", "settled", "newer", "lapsed", "void"
	Machine        string `json:"machine"`
	Loop           string `json:"loop"`
	Characteristic string `json:"characteristic"`
	Part           string `json:"part"`
	Cut            int    `json:"cut,omitempty"`
	Gauge          string `json:"gauge"`
	Reason         string `json:"reason,omitempty"`
	Say            string `json:"say"`
	Expires        string `json:"expires,omitempty"` // RFC 3339, UTC
	ExpiresParts   int    `json:"expires_parts,omitempty"`
}

// publishRequests hands requests for a second reading to the broker. What is
// released is in the journal already. Nobody waits for it: a message that cannot be
// sent is said and dropped, and its request lapses by itself.
func (a *App) publishRequests(rel bridge.Released) {
	machine, ok := strings.CutPrefix(rel.Stream, "machine/")
	if !ok {
		return
	}
	for _, e := range rel.Events {
		var m requestMessage
		switch e := e.(type) {
		case core.Asked:
			m = asked(machine, e.Request, time.UnixMilli(rel.At.Wall))
		case core.AskEnded:
			m = requestMessage{
				State: endings[e.Cause], Loop: e.Loop, Characteristic: e.Characteristic, Part: e.Part, Gauge: e.Gauge,
				Request: machine + "/" + strconv.FormatUint(e.ID, 10), Say: e.Cause.Words(),
			}
			if m.State == "" {
				m.State = "void"
			}
		default:
			continue
		}
		m.Version, m.Machine = 1, machine
		payload, err := json.Marshal(m)
		if err == nil {
			err = a.intake.Publish(strings.ReplaceAll(a.o.Config.MQTT.Requests, "{machine}", machine), payload, false)
		}
		if err != nil {
			a.log.Warn("a request to measure again is not published", zap.String("request", m.Request), zap.Error(err))
		}
	}
}

var endings = map[core.Code]string{
	core.AskAnswered: "answered", core.AskSettled: "settled", core.AskNewer: "newer", core.AskLapsed: "lapsed",
}

func asked(machine string, r core.Request, now time.Time) requestMessage {
	return requestMessage{
		State: "open", Request: machine + "/" + strconv.FormatUint(r.ID, 10), Loop: r.Loop, Characteristic: r.Characteristic,
		Part: r.Part, Cut: r.Cut, Gauge: r.Gauge, Reason: string(r.Reason), Say: r.Say(),
		Expires: now.Add(core.RequestMillis * time.Millisecond).UTC().Format(time.RFC3339), ExpiresParts: core.PartsLeft,
	}
}
