package machine

import (
	"context"
	"testing"
	"time"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"
)

// A server with many nodes lists them in bounded answers, and the continuation
// points lead through all of them once.
func TestAFolderIsListedInParts(t *testing.T) {
	s, err := Start(Options{Serial: "1", Name: "m", Filler: perAnswer*2 + 7})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	c, err := opcua.NewClient(s.Endpoint(), opcua.SecurityMode(ua.MessageSecurityModeNone))
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Connect(ctx); err != nil {
		t.Fatal(err)
	}
	defer c.Close(ctx)
	res, err := c.Browse(ctx, &ua.BrowseRequest{
		View: &ua.ViewDescription{ViewID: ua.NewTwoByteNodeID(0)}, RequestedMaxReferencesPerNode: 3000,
		NodesToBrowse: []*ua.BrowseDescription{{
			NodeID: ua.NewStringNodeID(nsBuilder, "Parameters1"), ReferenceTypeID: ua.NewNumericNodeID(0, id.HierarchicalReferences),
			IncludeSubtypes: true, ResultMask: uint32(ua.BrowseResultMaskAll),
		}},
	})
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for r := res.Results[0]; ; {
		if r.StatusCode != ua.StatusOK || len(r.References) == 0 || len(r.References) > 3000 {
			t.Fatalf("%s with %d references", r.StatusCode, len(r.References))
		}
		for _, x := range r.References {
			if seen[x.NodeID.NodeID.String()] {
				t.Fatalf("%s comes twice", x.NodeID.NodeID)
			}
			seen[x.NodeID.NodeID.String()] = true
		}
		if len(r.ContinuationPoint) == 0 {
			break
		}
		next, err := c.BrowseNext(ctx, &ua.BrowseNextRequest{ContinuationPoints: [][]byte{r.ContinuationPoint}})
		if err != nil {
			t.Fatal(err)
		}
		r = next.Results[0]
	}
	if len(seen) != perAnswer*2+7 {
		t.Errorf("%d nodes were listed", len(seen))
	}
	bad, err := c.BrowseNext(ctx, &ua.BrowseNextRequest{ContinuationPoints: [][]byte{[]byte("nonsense")}})
	if err != nil || bad.Results[0].StatusCode != ua.StatusBadContinuationPointInvalid {
		t.Errorf("a continuation point of nobody's: %v, %v", bad, err)
	}
}

// What a poor server leaves out is not there at all.
func TestAPoorServer(t *testing.T) {
	s, err := Start(Options{
		Serial: "1", Name: "m", NoCounter: true, NoPermitted: true, NoGeneration: true, NoUnits: true, NoLimits: true,
		Tools: []Tool{{Name: "T1"}}, Registers: []Register{{Name: "R", Tool: "T1", Unit: "mm", Kind: "radius", Resolution: 0.001, Min: -1, Max: 1}},
	})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for _, sid := range []string{"Production/PartsCompleted", "Offsets/WritePermitted", "Equipment/Tools/T1/Generation", "Offsets/R/EURange"} {
		if s.nodes.nodes[sid] != nil {
			t.Errorf("%s is there", sid)
		}
	}
	if s.nodes.base[id.Server_ServerCapabilities_OperationLimits] != nil {
		t.Error("operation limits are told")
	}
	if s.nodes.nodes["Offsets/R"] == nil {
		t.Error("the register is missing")
	}
}
