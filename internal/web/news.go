package web

import (
	"net/http"
	"time"

	"offsetbridge/internal/bridge"
)

// newsEvery is how often at most a place is told that something happened.
const newsEvery = 300 * time.Millisecond

// news streams, as server-sent events, that something has happened at a machine
// or, with "*", anywhere; a place that the server draws asks for itself again
// then. Nothing else is in it.
func (p *Page) news(w http.ResponseWriter, r *http.Request) {
	select {
	case p.places <- struct{}{}:
		defer func() { <-p.places }()
	default:
		refuse(w, http.StatusServiceUnavailable, "many", "too many pages are open, close some")
		return
	}
	of := r.URL.Query().Get("machine")
	some := make(chan struct{}, 1)
	stop := p.board.plant.Watch(func(rel bridge.Released) {
		if machine := machineOf(rel); of != "*" && machine != "" && machine != of {
			return
		}
		select {
		case some <- struct{}{}:
		default:
		}
	})
	defer stop()
	out := http.NewResponseController(w)
	out.SetReadDeadline(time.Time{}) //nolint:errcheck // nothing more is read
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	if p.breathe(w, r, out) != nil {
		return
	}
	alive := time.NewTicker(breath)
	defer alive.Stop()
	pace := time.NewTicker(newsEvery)
	defer pace.Stop()
	told := some // nil while it is too early to tell again
	for {
		var err error
		select {
		case <-r.Context().Done():
			return
		case <-told:
			told = nil
			err = send(w, out, "news", []byte("{}"))
		case <-pace.C:
			told = some
		case <-alive.C:
			err = p.breathe(w, r, out)
		}
		if err != nil {
			return
		}
	}
}
