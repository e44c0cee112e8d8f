package machine

import (
	"context"
	"time"

	"github.com/gopcua/opcua/ua"
)

// connector opens a session. What it learned about the peer is returned also
// when it fails.
type connector func(ctx context.Context, o *Options) (session, *Peer, error)

// session is one session over one channel with one server: the port that the
// conformance suite runs against. Every call is bounded by a time of its own; a
// context that ends early is honoured before a request is sent, never during.
type session interface {
	// read reads attributes with maxAge 0. It returns one value for each node
	// and the server's time of the answer.
	read(ctx context.Context, nodes []*ua.ReadValueID) (answer, error)
	// write sends one register in one request and waits that long for the
	// answer. An error means that nothing certain is known, unless it carries
	// a certain refusal.
	write(ctx context.Context, v *ua.WriteValue, wait time.Duration) (ua.StatusCode, error)
	// browse returns the properties of a node.
	browse(ctx context.Context, id *ua.NodeID) ([]*ua.ReferenceDescription, error)
	// watch subscribes and calls wake on every change until the session ends.
	// It returns errUnwatched when the server gives no subscription.
	watch(ctx context.Context, ids []*ua.NodeID, interval time.Duration, wake func()) error
	// lost receives the channel's first error.
	lost() <-chan error
	// close ends session and channel; abort drops the connection at once.
	close()
	abort()
}

// answer is what one Read returned.
type answer struct {
	values []*ua.DataValue
	at     time.Time // server's time, zero when not told
}

// Peer is who answered.
type Peer struct {
	Offers      []Offer `json:"offers"`
	Application string  `json:"application,omitempty"` // name, as the server tells it
	URI         string  `json:"uri,omitempty"`         // application URI
	Fingerprint string  `json:"fingerprint,omitempty"` // SHA-256 of the certificate, hex
	Subject     string  `json:"subject,omitempty"`
	NotBefore   string  `json:"not_before,omitempty"` // RFC 3339, UTC
	NotAfter    string  `json:"not_after,omitempty"`
}

// Offer is one endpoint of a server.
type Offer struct {
	URL    string   `json:"url"`
	Policy string   `json:"policy"`
	Mode   string   `json:"mode"`
	Logins []string `json:"logins"`
}
