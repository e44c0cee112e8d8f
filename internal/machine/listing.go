package machine

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/length"
)

// Listing is what a server offers to somebody who looks for registers: its
// variables with what it tells about them, as far as the bounds let us look.
type Listing struct {
	Endpoint string   `json:"endpoint"`
	Peer     Peer     `json:"peer"`
	Demo     bool     `json:"demo"`
	Seen     int      `json:"seen"`            // nodes that were passed
	Left     int      `json:"left"`            // variables whose attributes were not read, for the bound
	Notes    []string `json:"notes,omitempty"` // what could not be looked at, one sentence each
	Nodes    []Listed `json:"nodes"`
}

// Listed is one scalar variable.
type Listed struct {
	ID         string      `json:"id"`   // "nsu=URI;s=…", as a configuration takes it
	Path       string      `json:"path"` // browse names from the objects folder on, joined by "/"
	Name       string      `json:"name"`
	Type       string      `json:"type"` // "Double", "UInt64", "String", …
	Numeric    bool        `json:"numeric"`
	Unit       string      `json:"unit,omitempty"` // as told: a length unit, or any other text
	Length     length.Unit `json:"-"`              // where Unit is one
	Range      string      `json:"range,omitempty"`
	Low        float64     `json:"-"`
	High       float64     `json:"-"`
	Resolution float64     `json:"resolution,omitempty"` // where a property of that name tells it
	Writable   bool        `json:"writable"`
	Value      string      `json:"value"`

	id *ua.NodeID
}

// ListOptions bound a look at a server. Zero means the value named.
type ListOptions struct {
	From  string        // node id to begin at; empty: the objects folder
	Most  int           // variables whose attributes are read (2,000)
	Nodes int           // nodes that are passed (300,000)
	Time  time.Duration // for everything (30 s)
}

// Bounds of one request. A server that tells limits gets no more than they say.
const (
	browseAtOnce   = 20
	referencesEach = 1000
	deepest        = 24
	maxNotes       = 20
	maxOpenings    = 4
)

// lister is what a look needs of a session beyond reading.
type lister interface {
	list(ctx context.Context, nodes []*ua.BrowseDescription) ([]*ua.BrowseResult, error)
	more(ctx context.Context, points [][]byte, release bool) ([]*ua.BrowseResult, error)
}

// List connects and looks through a server, within bounds and changing nothing.
// Only Endpoint and Security of the options are needed. The error says that no
// session came about; what went wrong later stands in the notes.
func List(ctx context.Context, o Options, l ListOptions) (Listing, error) {
	if l.Most <= 0 {
		l.Most = 2000
	}
	if l.Nodes <= 0 {
		l.Nodes = 300_000
	}
	if l.Time <= 0 {
		l.Time = 30 * time.Second
	}
	if o.Now == nil {
		o.Now = func() int64 { return 0 } // nothing is written here
	}
	o.Health = max(o.Health, l.Time) // the session lives as long as the look
	o = o.withDefaults()
	ctx, cancel := context.WithTimeout(ctx, l.Time)
	defer cancel()
	v := &look{o: &o, l: l, out: Listing{Endpoint: o.Endpoint, Nodes: []Listed{}}, seen: map[string]bool{}, atOnce: browseAtOnce}
	if err := v.open(ctx); err != nil {
		return v.out, err
	}
	defer func() { v.s.close() }()
	if err := v.walk(ctx); err != nil {
		v.note("%v", err)
	}
	v.describe(ctx)
	return v.out, nil
}

// look is one look at a server.
type look struct {
	o        *Options
	l        ListOptions
	s        session
	table    []string
	out      Listing
	seen     map[string]bool
	found    []place
	queue    []place
	atOnce   int
	openings int
	cut      bool
}

// place is a node on the way.
type place struct {
	id   *ua.NodeID
	path string
	deep int
	rank int // how much it looks like something to map; higher first
}

func (v *look) note(format string, a ...any) {
	if len(v.out.Notes) < maxNotes {
		v.out.Notes = append(v.out.Notes, fmt.Sprintf(format, a...))
	}
}

// open makes a session and reads the namespaces and the server's limits.
func (v *look) open(ctx context.Context) error {
	v.openings++
	s, peer, err := v.o.connect(ctx, v.o)
	if peer != nil {
		v.out.Peer = *peer
	}
	if err != nil {
		return err
	}
	v.s = s
	a, err := s.read(ctx, []*ua.ReadValueID{
		valueOf(ua.NewNumericNodeID(0, nodeNamespaces)),
		valueOf(ua.NewNumericNodeID(0, id.Server_ServerCapabilities_OperationLimits_MaxNodesPerBrowse)),
	})
	if err != nil {
		s.close()
		return faultOf(err)
	}
	if v.table, err = stringsAt(a, 0); err != nil {
		s.close()
		return wait(CodeProtocol, "namespace table: %v", err)
	}
	if x, err := value(a, 1); err == nil {
		if n, ok := integer(x); ok && n > 0 {
			v.atOnce = min(v.atOnce, int(n))
		}
	}
	mark, err := parseAddress(v.o.DemoMark)
	if err != nil {
		return nil //nolint:nilerr // nothing to look for
	}
	if n, err := mark.resolve(v.table); err == nil {
		if a, err := s.read(ctx, []*ua.ReadValueID{attributeOf(n, ua.AttributeIDNodeClass)}); err == nil {
			v.out.Demo = len(a.values) == 1 && a.values[0] != nil && isGood(a.values[0].Status)
		}
	}
	return nil
}

// walk passes the nodes in breadth, from the objects folder on.
func (v *look) walk(ctx context.Context) error {
	start := ua.NewNumericNodeID(0, id.ObjectsFolder)
	if v.l.From != "" {
		where, err := parseAddress(v.l.From)
		if err != nil {
			return err
		}
		if start, err = where.resolve(v.table); err != nil {
			return err
		}
	}
	v.seen[start.String()] = true
	v.queue = []place{{id: start}}
	for len(v.queue) > 0 && !v.full() {
		if ctx.Err() != nil {
			return fmt.Errorf("the look took longer than %s and ended, %d nodes were passed: begin deeper with --from, or allow more time", v.l.Time, v.out.Seen)
		}
		n := min(v.atOnce, len(v.queue))
		batch := v.queue[:n:n]
		v.queue = v.queue[n:]
		if err := v.expand(ctx, batch); err != nil {
			if ctx.Err() != nil {
				continue
			}
			if err := v.again(ctx, batch, err); err != nil {
				return err
			}
		}
	}
	if v.full() {
		v.note("the server has more than %d nodes, the rest was not passed: begin deeper with --from", v.l.Nodes)
	}
	return nil
}

func (v *look) full() bool { return v.out.Seen >= v.l.Nodes }

// again goes on after a failed request: with fewer nodes at once, or past the one
// node that ends the connection, on a new session.
func (v *look) again(ctx context.Context, batch []place, cause error) error {
	st, refused := status(cause)
	if refused && (st == ua.StatusBadTooManyOperations || st == ua.StatusBadNoContinuationPoints) && len(batch) > 1 {
		v.atOnce = max(1, len(batch)/4)
		v.queue = append(batch, v.queue...)
		return nil
	}
	if refused && st != ua.StatusBadTimeout {
		v.note("%s cannot be listed: %s", sayPath(batch[0].path), statusText(st))
		return nil
	}
	if len(batch) > 1 {
		v.atOnce = 1
		v.queue = append(batch, v.queue...)
	} else {
		v.note("%s is not listed: the server answers with more than %d MB at once, or not at all; begin below it with --from", sayPath(batch[0].path), maxMessage>>20)
	}
	v.s.abort()
	if v.openings >= maxOpenings {
		return fmt.Errorf("the server ended the connection %d times, the rest was not looked at: %w", v.openings, faultOf(cause))
	}
	return v.open(ctx)
}

func sayPath(p string) string {
	if p == "" {
		return "the objects folder"
	}
	return strconv.Quote(clip(p))
}

// expand lists what is below some nodes, all parts of it.
func (v *look) expand(ctx context.Context, batch []place) error {
	l, ok := v.s.(lister)
	if !ok {
		return errors.New("this session cannot list")
	}
	var nodes []*ua.BrowseDescription
	for _, p := range batch {
		nodes = append(nodes, &ua.BrowseDescription{
			NodeID: p.id, BrowseDirection: ua.BrowseDirectionForward,
			ReferenceTypeID: ua.NewNumericNodeID(0, id.HierarchicalReferences), IncludeSubtypes: true,
			NodeClassMask: uint32(ua.NodeClassObject | ua.NodeClassVariable), ResultMask: uint32(ua.BrowseResultMaskAll),
		})
	}
	results, err := l.list(ctx, nodes)
	if err != nil {
		return err
	}
	for i, r := range results {
		for r != nil && !v.full() {
			if isBad(r.StatusCode) {
				if r.StatusCode == ua.StatusBadNoContinuationPoints && len(batch) > 1 {
					v.queue = append(v.queue, batch[i])
					v.atOnce = 1
				} else {
					v.note("%s is not listed to its end: %s", sayPath(batch[i].path), statusText(r.StatusCode))
				}
				break
			}
			v.take(batch[i], r.References)
			if len(r.ContinuationPoint) == 0 {
				break
			}
			next, err := l.more(ctx, [][]byte{r.ContinuationPoint}, v.full())
			if err != nil {
				return err
			}
			r = next[0]
		}
	}
	return nil
}

// take sorts what is below a node.
func (v *look) take(at place, refs []*ua.ReferenceDescription) {
	for _, r := range refs {
		if v.full() || r == nil || r.NodeID == nil || r.NodeID.NodeID == nil || r.BrowseName == nil {
			continue
		}
		n := r.NodeID.NodeID
		if key := n.String(); n.Namespace() == 0 || v.seen[key] {
			continue // the server's own nodes say nothing about the machine
		} else {
			v.seen[key] = true
		}
		v.out.Seen++
		p := place{id: n, path: joinPath(at.path, r.BrowseName.Name), deep: at.deep + 1}
		if r.NodeClass == ua.NodeClassVariable {
			if refers(r.ReferenceTypeID, id.HasProperty) {
				continue
			}
			p.rank = rank(p.path, r.TypeDefinition)
			v.found = append(v.found, p)
			continue
		}
		if p.deep < deepest {
			v.queue = append(v.queue, p)
		}
	}
}

func joinPath(path, name string) string {
	name = clipTo(60, name)
	if path == "" {
		return name
	}
	return clipTo(400, path+"/"+name)
}

func refers(n *ua.NodeID, kind uint32) bool {
	return n != nil && n.Namespace() == 0 && n.IntID() == kind
}

// telling are words in the names of what a loop needs; they only decide what is
// looked at first.
var telling = []string{
	"wear", "offset", "correction", "compensation", "radius", "diameter", "tool", "generation", "serial", "program",
	"count", "completed", "parts", "permit", "state", "life",
}

func rank(path string, typ *ua.ExpandedNodeID) int {
	n, lower := 0, strings.ToLower(path)
	for _, w := range telling {
		if strings.Contains(lower, w) {
			n++
		}
	}
	if typ != nil && refers(typ.NodeID, id.AnalogItemType) {
		n += 2
	}
	return n
}
