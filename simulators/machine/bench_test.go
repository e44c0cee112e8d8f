package machine

import (
	"context"
	"testing"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"
)

// BenchmarkWriteAndReadBack is one register write and its read-back over one
// unsecured session on loopback.
func BenchmarkWriteAndReadBack(b *testing.B) {
	s, err := Start(options())
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	ctx := context.Background()
	c, err := opcua.NewClient(s.Endpoint(), opcua.AutoReconnect(false))
	if err != nil {
		b.Fatal(err)
	}
	if err := c.Connect(ctx); err != nil {
		b.Fatal(err)
	}
	defer c.Close(ctx)
	read := &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{{
		NodeID: ua.NewStringNodeID(nsBuilder, "Offsets/T12 wear radius"), AttributeID: ua.AttributeIDValue, DataEncoding: &ua.QualifiedName{},
	}}}
	for i := 0; b.Loop(); i++ {
		want := float64(i%100) / 1000
		w, err := c.Write(ctx, registerWrite(want))
		if err != nil || w.Results[0] != ua.StatusOK {
			b.Fatal(err, w)
		}
		r, err := c.Read(ctx, read)
		if err != nil || r.Results[0].Value.Value() != want {
			b.Fatal(err, r)
		}
	}
}
