package journal

import "fmt"

// keepSnapshots is how many snapshots of a stream are kept: the second is
// there for the day the first is damaged.
const keepSnapshots = 2

// What a Damage says where the chain breaks.
const (
	whatChain   = "the stored hash does not follow from the record before it and its own bytes: one of the two was altered"
	whatMissing = "the record is missing"
	whatClaim   = "the chain differs from what a checkpoint recorded here"
)

// check refuses a snapshot that is not of this chain; hash is the chain's at
// its number, ok whether there is one.
func (s *Snapshot) check(hash [32]byte, ok bool) error {
	switch {
	case s.Stream == "" || s.Seq == 0:
		return fmt.Errorf("%w: stream %q, record %d; a snapshot stands after a record of a stream", ErrSnapshot, s.Stream, s.Seq)
	case len(s.Body) > MaxSnapshot:
		return fmt.Errorf("%w: body of %s has %d bytes; use at most %d", ErrSnapshot, s.Stream, len(s.Body), MaxSnapshot)
	case !ok:
		return fmt.Errorf("%w: stream %s has no record %d", ErrSnapshot, s.Stream, s.Seq)
	case hash != s.Hash:
		return fmt.Errorf("%w: stream %s has hash %x at record %d, the snapshot says %x; fold it again", ErrSnapshot, s.Stream, hash[:6], s.Seq, s.Hash[:6])
	}
	return nil
}

// contains compares a head kept elsewhere with the chain: hash is the chain's
// at its number, ok whether that record or its place is known.
func contains(h, head Head, hash [32]byte, ok bool, file string) error {
	switch {
	case h.Seq == 0:
		return nil
	case h.Seq > head.Seq:
		return &Damage{Stream: h.Stream, Seq: head.Seq + 1, File: file, What: fmt.Sprintf(
			"the stream ends at record %d, but the head kept elsewhere is record %d: the journal was shortened or replaced", head.Seq, h.Seq)}
	case ok && hash != h.Hash:
		return &Damage{Stream: h.Stream, Seq: h.Seq, File: file, What: "the chain differs from the head kept elsewhere: the journal was altered or replaced"}
	}
	return nil
}
