package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Format is the version of the layout on disk and of the hash rule.
//
// Rule 1, for whoever recomputes it with other means: the hash of a record is
// SHA-256 over the 32 bytes of the hash before it (zero for the first record of
// a stream) and then, each preceded by its length as four bytes, big-endian:
// stream, seq (eight bytes, big-endian), at (the same), kind, loop, part, gauge,
// person, body. A key that is absent counts as empty.
//
// The hash of a checkpoint is SHA-256 over the hash of the checkpoint before it
// (zero for the first), its number and the number of the last record it covers
// (eight bytes each, big-endian), its reason and its encoded heads, each of the
// latter two preceded by its length as above.
const Format = 1

// chainer computes chain hashes and keeps its buffer between records.
type chainer struct{ buf []byte }

// next returns the hash of r, which follows the record with hash prev.
func (c *chainer) next(prev [32]byte, r *Record) [32]byte {
	b := append(c.buf[:0], prev[:]...)
	b = appendText(b, r.Stream)
	b = binary.BigEndian.AppendUint32(b, 8)
	b = binary.BigEndian.AppendUint64(b, r.Seq)
	b = binary.BigEndian.AppendUint32(b, 8)
	b = binary.BigEndian.AppendUint64(b, uint64(r.At))
	b = appendText(b, r.Kind)
	b = appendText(b, r.Loop)
	b = appendText(b, r.Part)
	b = appendText(b, r.Gauge)
	b = appendText(b, r.Person)
	b = appendText(b, r.Body)
	c.buf = b
	return sha256.Sum256(b)
}

func appendText[T string | []byte](b []byte, text T) []byte {
	b = binary.BigEndian.AppendUint32(b, uint32(len(text)))
	return append(b, text...)
}

// checkpoint ties the heads of all streams after record `after` (counted over
// all streams) and follows the checkpoint with hash prev.
type checkpoint struct {
	n      int64 // 1, 2, 3 … over all segments
	after  int64
	reason string // open, full, seal or close
	heads  []byte // encodeHeads
	prev   [32]byte
	hash   [32]byte
}

func (c *checkpoint) sum() [32]byte {
	b := append(make([]byte, 0, len(c.heads)+96), c.prev[:]...)
	b = binary.BigEndian.AppendUint64(b, uint64(c.n))
	b = binary.BigEndian.AppendUint64(b, uint64(c.after))
	b = appendText(b, c.reason)
	b = appendText(b, c.heads)
	return sha256.Sum256(b)
}

// follow returns the checkpoint after c.
func (c *checkpoint) follow(after int64, reason string, heads []Head) checkpoint {
	next := checkpoint{n: c.n + 1, after: after, reason: reason, heads: encodeHeads(heads), prev: c.hash}
	next.hash = next.sum()
	return next
}

// encodeHeads writes heads by stream name: name with length, number, hash.
func encodeHeads(heads []Head) []byte {
	var b []byte
	for _, h := range sortHeads(slices.Clone(heads)) {
		b = appendText(b, h.Stream)
		b = binary.BigEndian.AppendUint64(b, h.Seq)
		b = append(b, h.Hash[:]...)
	}
	return b
}

var errHeads = errors.New("the list of heads cannot be read")

func decodeHeads(b []byte) ([]Head, error) {
	var heads []Head
	for len(b) > 0 {
		if len(b) < 4 {
			return nil, errHeads
		}
		n := int64(binary.BigEndian.Uint32(b))
		if b = b[4:]; n > MaxKey || int64(len(b)) < n+40 {
			return nil, errHeads
		}
		h := Head{Stream: string(b[:n]), Seq: binary.BigEndian.Uint64(b[n:])}
		copy(h.Hash[:], b[n+8:n+40])
		heads = append(heads, h)
		b = b[n+40:]
	}
	return heads, nil
}

func sortHeads(heads []Head) []Head {
	slices.SortFunc(heads, func(a, b Head) int { return strings.Compare(a.Stream, b.Stream) })
	return heads
}

// sum covers everything a snapshot holds, so that a changed one is ignored.
func (s *Snapshot) sum() [32]byte {
	h := sha256.New()
	var n [8]byte
	write := func(b []byte) {
		binary.BigEndian.PutUint64(n[:], uint64(len(b)))
		h.Write(n[:])
		h.Write(b)
	}
	write([]byte(s.Stream))
	binary.BigEndian.PutUint64(n[:], s.Seq)
	h.Write(n[:])
	write(s.Hash[:])
	write([]byte(s.Version))
	write(s.Body)
	return [32]byte(h.Sum(nil))
}

// to32 copies a stored hash; anything but 32 bytes is damage to its caller.
func to32(b []byte) (h [32]byte, err error) {
	if len(b) != 32 {
		return h, fmt.Errorf("stored hash has %d bytes, not 32", len(b))
	}
	copy(h[:], b)
	return h, nil
}

// scan32 reads a stored hash straight from a row.
type scan32 struct{ to *[32]byte }

// Scan accepts 32 bytes and nothing else.
func (s scan32) Scan(v any) error {
	b, ok := v.([]byte)
	if !ok {
		return fmt.Errorf("stored hash is not bytes but %T", v)
	}
	h, err := to32(b)
	*s.to = h
	return err
}

func sameHead(a, b Head) bool {
	return a.Seq == b.Seq && bytes.Equal(a.Hash[:], b.Hash[:])
}
