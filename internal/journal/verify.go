package journal

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// maxDamage is how many damages one Verify lists.
const maxDamage = 32

// Verify implements Store. For the empty stream from is ignored: everything
// that is kept is read once, in the order of the files.
func (j *Journal) Verify(ctx context.Context, stream string, from uint64) error {
	if err := j.ready(); err != nil {
		return err
	}
	if stream == "" {
		return j.mind(j.verifyAll(ctx))
	}
	return j.mind(j.verifyStream(ctx, j.Head(stream), from, claims{}))
}

// verifyTails verifies each stream from its newest snapshot on and keeps what
// it finds for Damage. Only an error of the context is returned.
func (j *Journal) verifyTails(ctx context.Context) error {
	cache := claims{}
	for _, h := range j.Heads() {
		from := uint64(1)
		s, ok, err := j.Snapshot(h.Stream)
		if err != nil {
			j.damaged(err)
		}
		if ok {
			from = s.Seq + 1
		}
		err = j.verifyStream(ctx, h, from, cache)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			j.damaged(err)
		}
	}
	return nil
}

// claims are what the checkpoints of a segment say: for each stream the hash at
// a number. They are loaded once for each segment.
type claims map[int64]map[string]map[uint64][32]byte

func (c claims) of(s *segment, stream string) (map[uint64][32]byte, error) {
	if own, ok := c[s.number]; ok {
		return own[stream], nil
	}
	marks, err := s.checkpoints()
	if err != nil {
		return nil, err
	}
	own := map[string]map[uint64][32]byte{}
	for i := range marks {
		heads, err := marks[i].check(marks, i)
		if err != nil {
			return nil, &Damage{File: s.name, What: err.Error()}
		}
		for _, h := range heads {
			if own[h.Stream] == nil {
				own[h.Stream] = map[uint64][32]byte{}
			}
			own[h.Stream][h.Seq] = h.Hash
		}
	}
	c[s.number] = own
	return own[stream], nil
}

func (s *segment) checkpoints() (out []checkpoint, err error) {
	err = s.read(func(db *sql.DB) error {
		rows, err := db.Query("SELECT n, after, reason, heads, prev, hash FROM checkpoints ORDER BY n")
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var c checkpoint
			if err := rows.Scan(&c.n, &c.after, &c.reason, &c.heads, scan32{&c.prev}, scan32{&c.hash}); err != nil {
				return err
			}
			out = append(out, c)
		}
		return rows.Err()
	})
	if err != nil {
		return nil, damageAt(s, "", 0, err)
	}
	return out, nil
}

// check verifies checkpoint i of a segment and returns its heads.
func (c *checkpoint) check(all []checkpoint, i int) ([]Head, error) {
	if c.sum() != c.hash || i > 0 && (c.prev != all[i-1].hash || c.n != all[i-1].n+1) {
		return nil, fmt.Errorf("checkpoint %d does not follow from the one before it and its own bytes", c.n)
	}
	return decodeHeads(c.heads)
}

// verifyStream recomputes one stream through its index.
func (j *Journal) verifyStream(ctx context.Context, head Head, from uint64, cache claims) error {
	first, err := j.catalog.firstKept(head.Stream)
	if err != nil {
		return &Damage{File: catalogName, Stream: head.Stream, What: "the list of segments cannot be read", Err: err}
	}
	from = max(from, first)
	prev, ok, err := j.hashAt(head.Stream, from-1)
	if err != nil {
		return err
	}
	if !ok && from-1 < head.Seq {
		return &Damage{Stream: head.Stream, Seq: from - 1, File: catalogName, What: whatMissing}
	}
	var c chainer
	err = j.run(head.Stream, from, head.Seq, func(s *segment, last uint64, rows []row) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		claimed, err := cache.of(s, head.Stream)
		if err != nil {
			return err
		}
		for i := range rows {
			r := &rows[i]
			if prev = c.next(prev, &r.Record); prev != r.hash {
				return &Damage{Stream: r.Stream, Seq: r.Seq, File: s.name, What: whatChain}
			}
			if want, ok := claimed[r.Seq]; ok && want != prev {
				return &Damage{Stream: r.Stream, Seq: r.Seq, File: s.name, What: whatClaim}
			}
		}
		return nil
	})
	if err == nil {
		err = j.beyond(head, cache)
	}
	if err == nil && from <= head.Seq && prev != head.Hash {
		err = &Damage{Stream: head.Stream, Seq: head.Seq, File: j.current.name, What: "the chain does not end in the recorded head"}
	}
	return err
}

// beyond looks in the newest segment for a checkpoint that saw more records of
// a stream than there are.
func (j *Journal) beyond(head Head, cache claims) error {
	j.mu.RLock()
	s := j.current
	_, there := j.segments[s.number]
	j.mu.RUnlock()
	if !there {
		return nil
	}
	claimed, err := cache.of(s, head.Stream)
	if err != nil {
		return err
	}
	most := uint64(0)
	for seq := range claimed {
		most = max(most, seq)
	}
	now := j.Head(head.Stream)
	if most > now.Seq {
		if now, err = j.settled(s, head.Stream); err != nil {
			return err
		}
	}
	if most > now.Seq {
		return &Damage{Stream: head.Stream, Seq: now.Seq + 1, File: s.name, What: whatMissing}
	}
	return nil
}

// settled returns the head of a stream at a moment after the checkpoints of the
// newest segment were read: the file may be an append ahead of the heads in memory,
// and many ahead of those of a reader beside the writer.
func (j *Journal) settled(s *segment, stream string) (Head, error) {
	if !j.o.ReadOnly {
		j.write.Lock()
		defer j.write.Unlock()
		return j.Head(stream), nil
	}
	var heads map[string]Head
	err := s.read(func(db *sql.DB) (err error) {
		_, _, heads, err = loadStreams(context.Background(), db)
		return err
	})
	if err != nil {
		return Head{}, damageAt(s, "", 0, err)
	}
	return heads[stream], nil
}

// sweep is one pass over all files.
type sweep struct {
	ctx   context.Context
	j     *Journal
	state map[string]Head // recomputed so far
	mark  checkpoint      // last one seen; n is 0 where the next cannot be compared
	found []error
}

func (v *sweep) report(d *Damage) {
	if len(v.found) < maxDamage {
		v.found = append(v.found, d)
	}
}

// verifyAll reads every file once: digests, checkpoints, chains.
func (j *Journal) verifyAll(ctx context.Context) error {
	j.mu.RLock()
	lastID, heads, current := j.lastID, j.allHeads(), j.current
	j.mu.RUnlock()
	v := &sweep{ctx: ctx, j: j}
	if err := sound(ctx, j.catalog.db); err != nil {
		v.report(&Damage{File: catalogName, What: "the structure is broken", Err: err})
	}
	list := j.byNumber()
	if len(list) > 0 && list[0].number == 1 {
		v.state = map[string]Head{}
	}
	for _, s := range list {
		if s.number > current.number {
			break
		}
		end := int64(1) << 62
		var final []Head
		if s == current {
			end, final = lastID+1, heads
		}
		err := v.segment(s, end, final)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if errors.Is(err, ErrRemoved) || errors.Is(err, ErrClosed) {
			return err
		}
		if err != nil {
			v.unreadable(s, err)
		}
	}
	return errors.Join(v.found...)
}

// catalogEnds returns where the catalog says the streams ended before a segment
// that opens with these heads, if it remembers.
func (j *Journal) catalogEnds(opening map[string]Head) map[string]Head {
	ends := make(map[string]Head, len(opening))
	for name, h := range opening {
		ends[name] = h
		if p, ok, err := j.catalog.spanAt(name, h.Seq); h.Seq > 0 && err == nil && ok {
			ends[name] = Head{name, p.last, p.hash}
		}
	}
	return ends
}

// unreadable reports a segment that could not be read to its end, and names
// the first unreadable record of each stream in it.
func (v *sweep) unreadable(s *segment, cause error) {
	v.state, v.mark = nil, checkpoint{}
	var d *Damage
	if !errors.As(cause, &d) {
		d = &Damage{File: s.name, What: "the segment cannot be read to its end", Err: cause}
	}
	v.report(d)
	cache := claims{}
	for _, h := range v.j.Heads() {
		if len(v.found) >= maxDamage || v.ctx.Err() != nil {
			return
		}
		err := v.j.verifyStream(v.ctx, h, 1, cache)
		if errors.As(err, &d) && d.Stream != "" {
			v.report(d)
		}
	}
}

// segment verifies one file. final is set for the current one: the heads the
// journal had when the sweep began.
func (v *sweep) segment(s *segment, end int64, final []Head) error {
	v.file(s)
	var opening, stored map[string]Head
	err := s.read(func(db *sql.DB) (err error) {
		_, opening, stored, err = loadStreams(v.ctx, db)
		return err
	})
	if err != nil {
		return damageAt(s, "", 0, err)
	}
	if v.state == nil {
		v.state = v.j.catalogEnds(opening)
	}
	for name, h := range opening {
		if !sameHead(v.state[name], h) {
			v.report(&Damage{Stream: name, Seq: h.Seq, File: s.name, What: "the segment does not begin where the one before it ended"})
		}
	}
	for name, h := range v.state {
		if _, ok := opening[name]; !ok {
			v.report(&Damage{Stream: name, Seq: h.Seq, File: s.name, What: "the segment does not know the stream"})
		}
	}
	marks, err := s.checkpoints()
	if err != nil {
		return err
	}
	v.state = opening
	if err := v.records(s, end, v.marks(s, marks)); err != nil {
		return err
	}
	if final != nil {
		stored = make(map[string]Head, len(final))
		for _, h := range final {
			stored[h.Stream] = h
		}
	}
	for name, h := range stored {
		if got := v.state[name]; got.Seq < h.Seq {
			v.report(&Damage{Stream: name, Seq: got.Seq + 1, File: s.name, What: whatMissing})
		} else if !sameHead(got, h) {
			v.report(&Damage{Stream: name, Seq: h.Seq, File: s.name, What: "the chain does not end in the recorded head"})
		}
	}
	v.spans(s, opening, stored, final != nil)
	v.state = stored
	return nil
}

// spans compares the catalog's idea of a sealed segment with the segment's own.
func (v *sweep) spans(s *segment, opening, stored map[string]Head, current bool) {
	if current {
		return
	}
	listed, err := v.j.catalog.spansOf(s.number)
	if err != nil {
		v.report(&Damage{File: catalogName, What: "the list of segments cannot be read", Err: err})
		return
	}
	own := spansBetween(opening, stored)
	for name, p := range own {
		if q := listed[name]; p.first != q.first || p.last != q.last || p.hash != q.hash {
			v.report(&Damage{Stream: name, Seq: p.first, File: catalogName, What: "the catalog differs from " + s.name})
		}
	}
	if len(listed) != len(own) {
		v.report(&Damage{File: catalogName, What: fmt.Sprintf("the catalog lists %d streams in %s, the segment has %d", len(listed), s.name, len(own))})
	}
}

// file compares a finished segment with its digest, and lets SQLite check the
// structure of the others.
func (v *sweep) file(s *segment) {
	s.mu.RLock()
	digest, bytesSealed := s.digest, s.bytes
	s.mu.RUnlock()
	if digest != nil {
		sum, size, err := digestFile(s.path)
		switch {
		case err != nil:
			v.report(&Damage{File: s.name, What: "the file cannot be read", Err: err})
		case size != bytesSealed:
			v.report(&Damage{File: s.name, What: fmt.Sprintf("the file has %d bytes and was sealed with %d", size, bytesSealed)})
		case !bytes.Equal(sum, digest):
			v.report(&Damage{File: s.name, What: "the file differs from its digest at sealing"})
		}
		return
	}
	err := s.read(func(db *sql.DB) error { return sound(v.ctx, db) })
	if err != nil && v.ctx.Err() == nil {
		v.report(&Damage{File: s.name, What: "the structure is broken", Err: err})
	}
}

// sound asks SQLite whether a file's tables and indexes agree.
func sound(ctx context.Context, db *sql.DB) error {
	var verdict string
	if err := db.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&verdict); err != nil {
		return err
	}
	if verdict != "ok" {
		return errors.New(verdict)
	}
	return nil
}

// claim is what a checkpoint says the heads were after a record, counted over
// all streams.
type claim struct {
	after int64
	heads []Head
}

// marks verifies the checkpoints among themselves and returns what they claim.
func (v *sweep) marks(s *segment, marks []checkpoint) []claim {
	var claimed []claim
	for i := range marks {
		c := &marks[i]
		heads, err := c.check(marks, i)
		if err == nil && i == 0 && v.mark.n != 0 && (c.n != v.mark.n+1 || c.prev != v.mark.hash) {
			err = fmt.Errorf("checkpoint %d does not follow the last one of the segment before", c.n)
		}
		if err != nil {
			v.report(&Damage{File: s.name, What: err.Error()})
			continue
		}
		claimed = append(claimed, claim{c.after, heads})
	}
	v.mark = checkpoint{}
	if n := len(marks); n > 0 {
		v.mark = marks[n-1]
	} else {
		v.report(&Damage{File: s.name, What: "the segment has no checkpoint"})
	}
	return claimed
}

// records recomputes all chains of a segment in the order of the table, and
// holds each checkpoint's claims against them at its place.
func (v *sweep) records(s *segment, end int64, claimed []claim) error {
	const q = "SELECT " + columns + " FROM records NOT INDEXED WHERE id > ? AND id < ? ORDER BY id LIMIT ?"
	state := make(map[string]Head, len(v.state))
	for name, h := range v.state {
		state[name] = h
	}
	v.state = state
	compare := func(before int64) {
		for len(claimed) > 0 && claimed[0].after < before {
			for _, h := range claimed[0].heads {
				if !sameHead(state[h.Stream], h) {
					v.report(&Damage{Stream: h.Stream, Seq: h.Seq, File: s.name, What: whatClaim})
				}
			}
			claimed = claimed[1:]
		}
	}
	var c chainer
	for id := int64(0); ; {
		if err := v.ctx.Err(); err != nil {
			return err
		}
		rows, err := s.page(q, id, end, pageRows)
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			compare(end)
			return nil
		}
		for i := range rows {
			r := &rows[i]
			compare(r.id)
			h := state[r.Stream]
			if r.Seq != h.Seq+1 {
				v.report(&Damage{Stream: r.Stream, Seq: h.Seq + 1, File: s.name, What: whatMissing})
			} else if c.next(h.Hash, &r.Record) != r.hash {
				v.report(&Damage{Stream: r.Stream, Seq: r.Seq, File: s.name, What: whatChain})
			}
			state[r.Stream] = Head{r.Stream, r.Seq, r.hash}
			id = r.id
		}
	}
}
