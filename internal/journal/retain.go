package journal

import (
	"context"
	"fmt"
	"time"
)

// Removed is a segment that Retain took away, for the caller to journal.
type Removed struct {
	File    string
	From    time.Time // smallest and largest Record.At in it
	To      time.Time
	Streams []Head // where each stream's run in it ended
}

// Retain removes whole sealed segments, oldest first, whose newest record is
// older than Options.KeepFor and whose streams all have an intact snapshot
// at or after their last record in it. The newest KeepSegments sealed ones stay
// whatever the clock says. It stops at the first segment that must stay and
// returns what it removed, also beside an error; it journals nothing itself.
func (j *Journal) Retain(ctx context.Context) (gone []Removed, err error) {
	if j.o.ReadOnly {
		return nil, ErrReadOnly
	}
	if j.o.KeepFor <= 0 {
		return nil, nil
	}
	j.shape.Lock()
	defer j.shape.Unlock()
	if err := j.ready(); err != nil {
		return nil, err
	}
	list := j.byNumber()
	limit := j.o.Now().Add(-j.o.KeepFor).UnixMilli()
	for _, s := range list[:max(0, len(list)-1-j.o.KeepSegments)] {
		if err := ctx.Err(); err != nil {
			return gone, err
		}
		if finished, last := s.age(); !finished || last >= limit {
			return gone, nil
		}
		r, ok, err := j.mayRemove(s)
		if err != nil || !ok {
			return gone, err
		}
		if err := j.remove(s); err != nil {
			return gone, fmt.Errorf("cannot remove %s: %w", s.name, err)
		}
		gone = append(gone, r)
	}
	return gone, nil
}

// age returns whether a segment is finished, and the newest time in it.
func (s *segment) age() (finished bool, lastAt int64) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.digest != nil, s.lastAt
}

// mayRemove asks for a snapshot of each stream that covers its run in s.
func (j *Journal) mayRemove(s *segment) (r Removed, ok bool, err error) {
	r = Removed{File: s.name, From: time.UnixMilli(s.firstAt).UTC(), To: time.UnixMilli(s.lastAt).UTC()}
	spans, err := j.catalog.spansOf(s.number)
	if err != nil {
		return r, false, err
	}
	for name, p := range spans {
		snap, found, err := j.Snapshot(name)
		if err != nil || !found || snap.Seq < p.last {
			return r, false, err
		}
		r.Streams = append(r.Streams, Head{name, p.last, p.hash})
	}
	sortHeads(r.Streams)
	return r, true, nil
}

// remove first notes the removal, so that a crash cannot make it look like
// damage, then deletes the file.
func (j *Journal) remove(s *segment) error {
	if err := j.catalog.remove(s.number); err != nil {
		return err
	}
	s.mu.Lock()
	s.gone = ErrRemoved
	s.mu.Unlock()
	j.mu.Lock()
	delete(j.segments, s.number)
	j.mu.Unlock()
	return removeFile(s.path)
}
