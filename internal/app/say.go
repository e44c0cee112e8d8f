package app

import (
	"go.uber.org/zap"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
)

// doubted are the estimate's verdicts that a person at the gauge should hear of.
var doubted = map[core.Code]bool{"suspect": true, "ignored": true}

// say writes one clear sentence to the log for what a person may want to know.
// Sessions with broker and machines, and writes, are told by their own edge.
func (a *App) say(rel bridge.Released) {
	log := a.log.With(zap.String("stream", rel.Stream))
	for _, e := range rel.Events {
		switch e := e.(type) {
		case core.Rejected:
			log.Warn("message not used: "+e.Code.Words(), zap.String("topic", e.Topic), zap.String("detail", e.Why), zap.Uint64("messages", max(1, e.Count)))
		case core.Unplaced:
			log.Warn("reading waits unassigned: "+e.Code.Words(), reading(e.Reading)...)
		case core.Judged:
			c := firstOf(e.Admit, e.Attribute)
			if e.Gather != "" && e.Gather != core.Gathers {
				c = e.Gather
			}
			if c == "" && doubted[e.Estimate] {
				c = e.Estimate
			}
			if c != "" {
				log.Warn("reading not used: "+c.Words(), reading(e.Reading)...)
			}
			sayMeasured(log, e)
		case core.Held:
			log.Warn("on hold: "+e.Cause.Words(), zap.String("loop", e.Loop), zap.String("detail", e.Text), zap.String("code", string(e.Cause)))
		case core.Resumed:
			log.Info("resumed: "+e.Cause.Words(), zap.String("loop", e.Loop), zap.String("note", e.Note), zap.String("by", e.Who.Principal))
		case core.Moved:
			log.Warn("somebody else changed a register, the loop goes on from there", zap.String("register", e.Register),
				zap.Stringer("old", e.Old), zap.Stringer("new", e.New))
		case core.Checked, core.Dated, core.Plugged, core.RingRead, core.Unfinished:
			sayTrust(log, e)
		case core.Concluded:
			a.sayOutcome(log, e)
		case core.Declined:
			log.Warn(e.What+" not accepted: "+e.Cause.Words(), zap.String("loop", e.Loop), zap.String("by", e.Who.Principal))
		}
	}
}

// sayMeasured tells what a person at the gauge should hear of a measurement that
// is used: a form that no offset puts right, a size that was not referred to 20 °C.
func sayMeasured(log *zap.Logger, e core.Judged) {
	m := e.Measurement()
	if m == nil {
		return
	}
	if m.Whole != nil && m.Whole.Form {
		log.Warn("taper or spread is more than a third of the tolerance, no automatic correction", append(reading(e.Reading),
			zap.Stringer("taper", m.Whole.Sizes.Taper), zap.Stringer("spread", m.Whole.Sizes.Spread))...)
	}
	if m.Worth != nil && m.Worth.Uncorrected != "" {
		log.Warn("size taken as it was read: "+m.Worth.Uncorrected.Words(), reading(e.Reading)...)
	}
}

// sayOutcome tells of a write what the machine's edge could not know when it
// wrote: that it was lost with a process, and what became of it.
func (a *App) sayOutcome(log *zap.Logger, e core.Concluded) {
	about := []zap.Field{zap.Uint64("intent", e.Outcome.Intent), zap.String("register", e.Register), zap.Stringer("reads", e.Read)}
	switch {
	case e.Late && e.Result == core.Applied:
		log.Info("the write whose outcome was unknown took effect", about...)
	case e.Late && e.Result == core.NotSent:
		log.Info("the write whose outcome was unknown did not take effect", about...)
	case e.Result == core.Unknown:
		log.Warn("the outcome of a write is unknown, it is not sent again, the register will be read after the quarantine", about...)
	}
}

func reading(r core.Reading) []zap.Field {
	return []zap.Field{
		zap.String("gauge", r.Gauge), zap.String("characteristic", r.Characteristic), zap.String("part", r.Part), zap.Stringer("value", r.Value),
	}
}

func firstOf(codes ...core.Code) core.Code {
	for _, c := range codes {
		if c != "" {
			return c
		}
	}
	return ""
}
