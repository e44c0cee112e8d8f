package journal

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// Bounds on what one record may hold; Append refuses more with ErrRecord.
const (
	MaxKind     = 8       // bytes of Record.Kind
	MaxKey      = 256     // bytes of Stream, Loop, Part, Gauge and Person each
	MaxBody     = 1 << 20 // bytes of Record.Body
	MaxBatch    = 1 << 16 // records in one Append
	MaxSnapshot = 1 << 28 // bytes of Snapshot.Body
)

// The refusals of a store; test for them with errors.Is.
var (
	ErrSequence = errors.New("record does not continue its stream")
	ErrRecord   = errors.New("record cannot be stored")
	ErrFailed   = errors.New("journal stopped writing after an error; stop, mend the cause and start again")
	ErrClosed   = errors.New("journal is closed")
	ErrReadOnly = errors.New("journal is open for reading only")
	ErrLocked   = errors.New("journal is in use by another process")
	ErrNobody   = errors.New("no process writes the journal")
	ErrNewer    = errors.New("journal was written by a newer version of this program")
	ErrRemoved  = errors.New("records were removed by retention")
	ErrSnapshot = errors.New("snapshot does not fit the chain")
	ErrFilter   = errors.New("filter cannot be answered")
	// ErrDamaged is what every *Damage is.
	ErrDamaged = errors.New("journal is damaged")
)

// Record is one event as the journal stores it.
type Record struct {
	Stream string // "plant" or "machine/NAME"
	Seq    uint64 // 1, 2, 3 … in its stream, no gaps
	At     int64  // UTC milliseconds since 1970: recorded, never used for ordering
	Kind   string // event code, 1 to MaxKind bytes

	// Query keys; empty means the record has none.
	Loop, Part, Gauge, Person string

	Body []byte // the event's bytes
}

// Head is the end of a stream: its last number and the chain hash there. A
// stream nobody wrote to has Seq 0 and a zero hash.
type Head struct {
	Stream string
	Seq    uint64
	Hash   [32]byte
}

// Snapshot is the folded state of one stream after record Seq.
type Snapshot struct {
	Stream  string
	Seq     uint64
	Hash    [32]byte // chain hash at Seq
	Version string   // of the program that folded it
	Body    []byte
}

// Store is what the program needs of a journal. All methods may be called from
// several goroutines; appends happen one after the other.
type Store interface {
	// Append stores the records in the given order, all or none over all
	// streams, and is durable on return. It refuses with ErrSequence or
	// ErrRecord before anything is written; any other error but the context's
	// leaves the store failed: later appends return ErrFailed.
	Append(ctx context.Context, records []Record) error
	// Head returns the end of one stream.
	Head(stream string) Head
	// Heads returns the ends of all streams, by name.
	Heads() []Head
	// Read visits the records of a stream from number from (0 means 1) to the
	// head at the time of the call, in order and in bounded memory. The error
	// is the visitor's, ErrRemoved where retention took the first of them, or
	// *Damage at the first record that is missing or unreadable; reading
	// on from the number after it is allowed.
	Read(stream string, from uint64, visit func(Record) error) error
	// SaveSnapshot stores a snapshot durably; ErrSnapshot if its hash is not
	// the chain's at its number. Only the newest few of a stream are kept.
	SaveSnapshot(Snapshot) error
	// Snapshot returns the newest intact snapshot whose hash matches the chain.
	Snapshot(stream string) (Snapshot, bool, error)
	// Verify recomputes the chain of a stream from number from (0 means 1) to
	// its head; the empty stream means every stream, all checkpoints and the
	// files themselves. Damage is reported as *Damage, joined where several.
	Verify(ctx context.Context, stream string, from uint64) error
	// Query returns the matching records, newest first.
	Query(Filter) ([]Record, error)
	// Close releases the store; everything after it returns ErrClosed.
	Close() error
}

// Damage says where the journal is not what was written. It is ErrDamaged.
type Damage struct {
	Stream string // empty when it is not one stream's
	Seq    uint64 // the first record concerned; 0 when not one record
	File   string // name of the file inside the journal's folder, or "memory"
	What   string // what differs
	Err    error  // the cause below, if any
}

// Error is one sentence that names file, stream, record and what differs.
func (d *Damage) Error() string {
	var b strings.Builder
	b.WriteString("journal is damaged: ")
	b.WriteString(d.File)
	if d.Stream != "" {
		fmt.Fprintf(&b, ": stream %s", d.Stream)
	}
	if d.Seq != 0 {
		fmt.Fprintf(&b, ": record %d", d.Seq)
	}
	b.WriteString(": ")
	b.WriteString(d.What)
	if d.Err != nil {
		fmt.Fprintf(&b, ": %v", d.Err)
	}
	return b.String()
}

// Is makes every Damage an ErrDamaged.
func (d *Damage) Is(target error) bool { return target == ErrDamaged }

// Unwrap returns the cause below.
func (d *Damage) Unwrap() error { return d.Err }

// check refuses a record the store could not give back byte for byte.
func (r *Record) check() error {
	if r.Stream == "" {
		return fmt.Errorf("%w: stream name is empty; name it plant or machine/NAME", ErrRecord)
	}
	if n := len(r.Kind); n < 1 || n > MaxKind {
		return fmt.Errorf("%w: kind %q of stream %s has %d bytes; use 1 to %d", ErrRecord, r.Kind, r.Stream, n, MaxKind)
	}
	if n := len(r.Body); n > MaxBody {
		return fmt.Errorf("%w: body of %s %d has %d bytes; use at most %d", ErrRecord, r.Stream, r.Seq, n, MaxBody)
	}
	if r.Seq > 1<<62 {
		return fmt.Errorf("%w: number %d of stream %s is too large", ErrRecord, r.Seq, r.Stream)
	}
	for _, k := range [...]struct{ name, text string }{
		{"stream", r.Stream}, {"kind", r.Kind}, {"loop", r.Loop},
		{"part", r.Part}, {"gauge", r.Gauge}, {"person", r.Person},
	} {
		if len(k.text) > MaxKey {
			return fmt.Errorf("%w: %s of %s %d has %d bytes; use at most %d", ErrRecord, k.name, r.Stream, r.Seq, len(k.text), MaxKey)
		}
		if !utf8.ValidString(k.text) || strings.ContainsRune(k.text, 0) {
			return fmt.Errorf("%w: %s %q of %s %d is not plain UTF-8 text", ErrRecord, k.name, k.text, r.Stream, r.Seq)
		}
	}
	return nil
}

// checkBatch refuses a batch that no store could take, whatever it holds.
func checkBatch(records []Record) error {
	if len(records) > MaxBatch {
		return fmt.Errorf("%w: %d records at once; append at most %d", ErrRecord, len(records), MaxBatch)
	}
	for i := range records {
		if err := records[i].check(); err != nil {
			return err
		}
	}
	return nil
}

// advance continues heads by records and returns the new heads of the streams
// touched, in order of first appearance, and the hash of each record. It
// changes nothing; ErrSequence if a record does not continue its stream.
func advance(head func(string) Head, records []Record) (touched []Head, hashes [][32]byte, err error) {
	at := make(map[string]int, 4)
	hashes = make([][32]byte, len(records))
	var c chainer
	for i := range records {
		r := &records[i]
		k, ok := at[r.Stream]
		if !ok {
			k = len(touched)
			at[r.Stream] = k
			touched = append(touched, head(r.Stream))
		}
		h := &touched[k]
		if r.Seq != h.Seq+1 {
			return nil, nil, fmt.Errorf("%w: stream %s ends at %d, so record %d cannot follow; append %d next",
				ErrSequence, r.Stream, h.Seq, r.Seq, h.Seq+1)
		}
		h.Seq = r.Seq
		h.Hash = c.next(h.Hash, r)
		hashes[i] = h.Hash
	}
	return touched, hashes, nil
}
