package journal

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
)

// Crash says what a crash leaves of appends that were never acknowledged.
// Acknowledged ones survive every crash.
type Crash int

// The modes of a crash.
const (
	CrashClean    Crash = iota // everything staged had reached the disk
	CrashTornTail              // the last staged append was cut, those before it had arrived
	CrashUnsynced              // nothing unsynced had reached the disk
)

// Fault is what goes wrong in an append of a Memory.
type Fault int

// The faults: which error an append returns and what it leaves behind.
const (
	FaultDiskFull Fault = iota + 1 // ErrDiskFull; nothing was staged
	FaultIO                        // ErrIO; nothing was staged
	FaultSync                      // ErrSync; staged but not synced: invisible until a crash keeps or loses it
)

// The causes a Memory reports for injected faults.
var (
	ErrDiskFull = errors.New("disk is full")
	ErrIO       = errors.New("disk reports an input/output error")
	ErrSync     = errors.New("disk could not confirm the write")
)

// Memory is a Store in memory that models a crash: an append is first staged
// and then synced, and Crash decides the fate of what was only staged. It is
// for tests and the fault simulation; nothing in it outlives the process.
type Memory struct {
	mu        sync.Mutex
	log       []entry
	synced    int              // entries of log that are durable
	batches   []int            // ends in log of the staged, unsynced appends
	limbo     []entry          // staged by an append whose sync failed: invisible until a crash decides
	streams   map[string][]int // by stream: index in log of each record
	heads     map[string]Head
	snapshots map[string][]Snapshot
	faults    map[int]Fault // by number of appends from now
	appends   int
	failed    error
	dead      bool
	heir      bool // what a crash left goes on in the room behind this log
}

type entry struct {
	Record
	hash [32]byte
}

// NewMemory returns an empty store.
func NewMemory() *Memory {
	return &Memory{
		streams:   map[string][]int{},
		heads:     map[string]Head{},
		snapshots: map[string][]Snapshot{},
		faults:    map[int]Fault{},
	}
}

// Fail makes the k-th append from now fail (1 is the next one).
func (m *Memory) Fail(k int, f Fault) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.faults[m.appends+k] = f
}

// Crash ends this store and returns what the next start finds. The old store
// answers ErrClosed from then on, so that a straggler of the crashed program
// cannot write into the new one. Faults not yet due are dropped.
func (m *Memory) Crash(mode Crash) *Memory {
	m.mu.Lock()
	defer m.mu.Unlock()
	log := m.log
	if len(m.limbo) > 0 {
		log = append(m.log[:len(m.log):len(m.log)], m.limbo...)
	}
	keep := m.synced
	switch mode {
	case CrashClean:
		keep = len(log)
	case CrashTornTail:
		if n := len(m.batches); n > 1 {
			keep = m.batches[n-2]
		}
	}
	next := NewMemory()
	if len(m.limbo) > 0 {
		for _, e := range log[:keep] {
			next.put(e)
		}
	} else {
		alone := !m.heir && keep == len(log)
		next.share(log[:keep], m.streams, !alone)
		m.heir = m.heir || alone
	}
	next.synced = keep
	for stream, list := range m.snapshots {
		next.snapshots[stream] = append([]Snapshot(nil), list...)
	}
	m.dead = true
	return next
}

// Append implements Store: Stage, then Sync.
func (m *Memory) Append(ctx context.Context, records []Record) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(records) == 0 {
		return m.ready()
	}
	if err := m.stage(records); err != nil {
		return err
	}
	return m.sync()
}

// Stage is the first half of Append: the records are visible but a crash may
// lose them. Sync is the second half.
func (m *Memory) Stage(records []Record) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.stage(records)
}

// Sync makes everything staged durable.
func (m *Memory) Sync() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.ready(); err != nil {
		return err
	}
	return m.sync()
}

func (m *Memory) ready() error {
	if m.dead {
		return ErrClosed
	}
	return m.failed
}

func (m *Memory) stage(records []Record) error {
	if err := m.ready(); err != nil {
		return err
	}
	if err := checkBatch(records); err != nil {
		return err
	}
	_, hashes, err := advance(func(s string) Head { return m.head(s) }, records)
	if err != nil {
		return err
	}
	m.appends++
	switch m.faults[m.appends] {
	case FaultDiskFull:
		return m.fail(ErrDiskFull)
	case FaultIO:
		return m.fail(ErrIO)
	}
	for i, r := range records {
		r.Body = append([]byte{}, r.Body...)
		m.put(entry{r, hashes[i]})
	}
	m.batches = append(m.batches, len(m.log))
	return nil
}

func (m *Memory) sync() error {
	if m.faults[m.appends] == FaultSync {
		m.limbo = append([]entry(nil), m.log[m.synced:]...)
		kept := m.log[:m.synced:m.synced]
		m.log, m.streams, m.heads = nil, map[string][]int{}, map[string]Head{}
		for _, e := range kept {
			m.put(e)
		}
		return m.fail(ErrSync)
	}
	m.synced, m.batches = len(m.log), nil
	return nil
}

// share takes over the beginning of another store's log, which is dead and changes no
// more. Only the first heir of all of it may go on in the room behind it.
func (m *Memory) share(log []entry, streams map[string][]int, copies bool) {
	m.log = log
	if copies {
		m.log = log[:len(log):len(log)]
	}
	for stream, list := range streams { // any order: each stream is on its own
		n, _ := slices.BinarySearch(list, len(log))
		if n == 0 {
			continue
		}
		last := &log[list[n-1]]
		m.streams[stream] = list[:n]
		if copies {
			m.streams[stream] = list[:n:n]
		}
		m.heads[stream] = Head{stream, last.Seq, last.hash}
	}
}

func (m *Memory) fail(cause error) error {
	m.failed = fmt.Errorf("%w: %w", ErrFailed, cause)
	return cause
}

func (m *Memory) put(e entry) {
	m.streams[e.Stream] = append(m.streams[e.Stream], len(m.log))
	m.log = append(m.log, e)
	m.heads[e.Stream] = Head{e.Stream, e.Seq, e.hash}
}

func (m *Memory) head(stream string) Head {
	if h, ok := m.heads[stream]; ok {
		return h
	}
	return Head{Stream: stream}
}

// Head implements Store.
func (m *Memory) Head(stream string) Head {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.head(stream)
}

// Heads implements Store.
func (m *Memory) Heads() []Head {
	m.mu.Lock()
	defer m.mu.Unlock()
	heads := make([]Head, 0, len(m.heads))
	for _, h := range m.heads {
		heads = append(heads, h)
	}
	return sortHeads(heads)
}

// at returns the entry of a record, if it is there.
func (m *Memory) at(stream string, seq uint64) (entry, bool) {
	list := m.streams[stream]
	if seq < 1 || seq > uint64(len(list)) {
		return entry{}, false
	}
	return m.log[list[seq-1]], true
}

// Read implements Store.
func (m *Memory) Read(stream string, from uint64, visit func(Record) error) error {
	end := m.Head(stream).Seq
	for seq := max(from, 1); seq <= end; seq++ {
		m.mu.Lock()
		e, ok := m.at(stream, seq)
		dead := m.dead
		m.mu.Unlock()
		if dead {
			return ErrClosed
		}
		if !ok {
			return &Damage{Stream: stream, Seq: seq, File: "memory", What: "the record is missing"}
		}
		e.Body = append([]byte{}, e.Body...)
		if err := visit(e.Record); err != nil {
			return err
		}
	}
	if m.closed() {
		return ErrClosed
	}
	return nil
}

func (m *Memory) closed() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.dead
}

// SaveSnapshot implements Store.
func (m *Memory) SaveSnapshot(s Snapshot) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.dead {
		return ErrClosed
	}
	if err := s.check(m.hashAt(s.Stream, s.Seq)); err != nil {
		return err
	}
	s.Body = append([]byte{}, s.Body...)
	list := append([]Snapshot{s}, m.snapshots[s.Stream]...)
	m.snapshots[s.Stream] = list[:min(len(list), keepSnapshots)]
	return nil
}

func (m *Memory) hashAt(stream string, seq uint64) ([32]byte, bool) {
	e, ok := m.at(stream, seq)
	return e.hash, ok
}

// Snapshot implements Store.
func (m *Memory) Snapshot(stream string) (Snapshot, bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.dead {
		return Snapshot{}, false, ErrClosed
	}
	var best Snapshot
	found := false
	for _, s := range m.snapshots[stream] {
		if hash, ok := m.hashAt(stream, s.Seq); ok && hash == s.Hash && (!found || s.Seq > best.Seq) {
			best, found = s, true
		}
	}
	best.Body = append([]byte(nil), best.Body...)
	return best, found, nil
}

// Verify implements Store.
func (m *Memory) Verify(ctx context.Context, stream string, from uint64) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.dead {
		return ErrClosed
	}
	if stream != "" {
		return m.verify(ctx, m.head(stream), from)
	}
	var errs []error
	heads := make([]Head, 0, len(m.heads))
	for _, h := range m.heads {
		heads = append(heads, h)
	}
	for _, h := range sortHeads(heads) {
		errs = append(errs, m.verify(ctx, h, from))
	}
	return errors.Join(errs...)
}

func (m *Memory) verify(ctx context.Context, head Head, from uint64) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	from = max(from, 1)
	prev, _ := m.hashAt(head.Stream, from-1)
	var c chainer
	for seq := from; seq <= head.Seq; seq++ {
		e, ok := m.at(head.Stream, seq)
		if !ok {
			return &Damage{Stream: head.Stream, Seq: seq, File: "memory", What: "the record is missing"}
		}
		if prev = c.next(prev, &e.Record); prev != e.hash {
			return &Damage{Stream: head.Stream, Seq: seq, File: "memory", What: whatChain}
		}
	}
	return nil
}

// Tamper changes a stored record behind the chain's back, for tests of what
// follows from damage; it reports whether the record is there.
func (m *Memory) Tamper(stream string, seq uint64, change func(*Record)) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, ok := m.at(stream, seq); !ok {
		return false
	}
	change(&m.log[m.streams[stream][seq-1]].Record)
	return true
}

// Contains implements the comparison described at Journal.Contains.
func (m *Memory) Contains(h Head) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	hash, ok := m.hashAt(h.Stream, h.Seq)
	return contains(h, m.head(h.Stream), hash, ok, "memory")
}

// Query implements Store.
func (m *Memory) Query(f Filter) ([]Record, error) {
	f, err := f.check()
	if err != nil {
		return nil, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.dead {
		return nil, ErrClosed
	}
	end := len(m.log)
	if f.Before != 0 {
		list := m.streams[f.BeforeStream]
		if f.Before <= uint64(len(list)) {
			end = list[f.Before-1]
		}
	}
	var out []Record
	size := 0
	for i := end - 1; i >= 0 && len(out) < f.Limit && size < maxPage; i-- {
		if r := m.log[i].Record; f.match(&r) {
			r.Body = append([]byte{}, r.Body...)
			out = append(out, r)
			size += len(r.Body)
		}
	}
	return out, nil
}

// Close implements Store. Crash works on a closed store too: it is the way to
// open it again.
func (m *Memory) Close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.dead {
		return ErrClosed
	}
	m.dead = true
	return nil
}
