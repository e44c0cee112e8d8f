package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
)

// liveQueue bounds what waits for a slow listener; beyond it the listener is cut
// off and has to connect again and look at the whole.
const liveQueue = 256

// events streams what happens, as server-sent events, until the client goes.
func (s *server) events(w http.ResponseWriter, r *http.Request) {
	out := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	queue := make(chan bridge.Released, liveQueue)
	slow := make(chan struct{}, 1)
	stop := s.o.Plant.Watch(func(rel bridge.Released) {
		select {
		case queue <- rel:
		default:
			select {
			case slow <- struct{}{}:
			default:
			}
		}
	})
	defer stop()
	alive := time.NewTicker(10 * time.Second)
	defer alive.Stop()
	if _, err := fmt.Fprint(w, ": connected\n\n"); err != nil || out.Flush() != nil {
		return
	}
	for {
		var err error
		select {
		case <-r.Context().Done():
			return
		case <-slow:
			return
		case <-alive.C:
			_, err = fmt.Fprint(w, ": alive\n\n")
		case rel := <-queue:
			err = writeReleased(w, rel)
		}
		if err == nil {
			out.SetWriteDeadline(time.Now().Add(10 * time.Second)) //nolint:errcheck // not every writer has one
			err = out.Flush()
		}
		if err != nil {
			return
		}
	}
}

func writeReleased(w http.ResponseWriter, rel bridge.Released) error {
	for i, e := range rel.Events {
		body, err := json.Marshal(Entry{
			Stream: rel.Stream, Seq: rel.First + uint64(i), At: time.UnixMilli(rel.At.Wall).UTC(),
			Kind: e.Kind(), Event: core.Encode(e),
		})
		if err != nil {
			return err
		}
		if _, err := fmt.Fprintf(w, "event: %s\ndata: %s\n\n", e.Kind(), body); err != nil {
			return err
		}
	}
	return nil
}
