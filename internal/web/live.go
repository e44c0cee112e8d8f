package web

import (
	"fmt"
	"net/http"
	"time"
)

// Bounds of live streams.
const (
	maxLive  = 1000            // open at once
	breath   = 2 * time.Second // a page that hears nothing for three of these is not live
	writeFor = 8 * time.Second // a page that takes nothing for so long is cut off
)

// live streams the board, as server-sent events, until the page goes. A page
// that is slow misses boards, never the newest.
func (p *Page) live(w http.ResponseWriter, r *http.Request) {
	select {
	case p.places <- struct{}{}:
		defer func() { <-p.places }()
	default:
		refuse(w, http.StatusServiceUnavailable, "many", "too many pages are open, close some")
		return
	}
	f := formatOf(r.Context())
	leave := p.board.follow(f)
	defer leave()
	out := http.NewResponseController(w)
	out.SetReadDeadline(time.Time{}) //nolint:errcheck // nothing more is read
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	alive := time.NewTicker(breath)
	defer alive.Stop()
	var shown []byte
	for {
		body, changed := p.board.latest(f)
		var err error
		if body != nil && (shown == nil || &shown[0] != &body[0]) {
			err = send(w, out, "board", body)
			shown = body
		}
		if err != nil {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-changed:
		case <-alive.C:
			if err := p.breathe(w, r, out); err != nil {
				return
			}
		}
	}
}

// breathe tells a page that it is live, and whether its person is signed in.
func (p *Page) breathe(w http.ResponseWriter, r *http.Request, out *http.ResponseController) error {
	_, signed := p.session(r, false)
	if !signed && !p.watch {
		return errSignedOut
	}
	return send(w, out, "alive", fmt.Appendf(nil, `{"signed_in":%t}`, signed))
}

var errSignedOut = fmt.Errorf("not signed in any more")

func send(w http.ResponseWriter, out *http.ResponseController, event string, body []byte) error {
	out.SetWriteDeadline(time.Now().Add(writeFor)) //nolint:errcheck // not every writer has one
	if _, err := fmt.Fprintf(w, "event: %s\ndata: %s\n\n", event, body); err != nil {
		return err
	}
	return out.Flush()
}

// giveBoard answers with the board as it is now.
func (p *Page) giveBoard(w http.ResponseWriter, r *http.Request) {
	st, err := p.board.plant.Status(r.Context())
	if err != nil {
		p.server.fail(w, err)
		return
	}
	answer(w, http.StatusOK, p.board.of(st, formatOf(r.Context())))
}
