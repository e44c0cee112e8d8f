package machine

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"
)

// watch subscribes to values and returns a function that waits for the next one.
func watch(t *testing.T, c *client, queue uint32, what ...string) (*opcua.Subscription, func() (uint32, any)) {
	t.Helper()
	news := make(chan *opcua.PublishNotificationData, 100)
	sub, err := c.Subscribe(within(t), &opcua.SubscriptionParameters{Interval: 20 * time.Millisecond}, news)
	if err != nil {
		t.Fatal(err)
	}
	for i, w := range what {
		req := opcua.NewMonitoredItemCreateRequestWithDefaults(c.node(w), ua.AttributeIDValue, uint32(i))
		req.RequestedParameters.QueueSize = queue
		resp, err := sub.Monitor(within(t), ua.TimestampsToReturnBoth, req)
		if err != nil || resp.Results[0].StatusCode != ua.StatusOK {
			t.Fatal(w, err, resp)
		}
	}
	var waiting []*ua.MonitoredItemNotification
	return sub, func() (uint32, any) {
		t.Helper()
		for len(waiting) == 0 {
			select {
			case n := <-news:
				if n.Error != nil {
					t.Fatal(n.Error)
				}
				if d, ok := n.Value.(*ua.DataChangeNotification); ok {
					waiting = d.MonitoredItems
				}
			case <-time.After(deadline):
				t.Fatal("no notification")
			}
		}
		m := waiting[0]
		waiting = waiting[1:]
		return m.ClientHandle, m.Value.Value.Value()
	}
}

func TestASubscriptionTellsEveryChange(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	sub, next := watch(t, c, 10, wear)
	if _, v := next(); v != 0.01 {
		t.Errorf("first value %v", v)
	}
	s.SetRegister("T12 wear radius", 0.02)
	s.SetRegister("T12 wear radius", 0.01) // changed and changed back between two looks
	s.EndCycle()                           // nothing for this item
	s.SetRegister("T12 wear radius", 0.03)
	for _, want := range []float64{0.02, 0.01, 0.03} {
		if _, v := next(); v != want {
			t.Errorf("got %v, want %v", v, want)
		}
	}
	if _, err := c.write(wear, 0.04); err != nil {
		t.Fatal(err)
	}
	if _, v := next(); v != 0.04 {
		t.Errorf("a write over OPC UA is told as %v", v)
	}
	if err := sub.Cancel(within(t)); err != nil {
		t.Error(err)
	}
}

func TestAQueueKeepsTheNewest(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	_, next := watch(t, c, 1, wear, "counter")
	next()
	next()
	s.Update(func(st *State) { st.Registers["T12 wear radius"] = 0.02 })
	s.mu.Lock() // no publishing meanwhile
	for i := range 5 {
		next := s.st.clone()
		next.Registers["T12 wear radius"] = 0.1 + float64(i)/10
		next.Counter++
		s.replace(next)
	}
	s.mu.Unlock()
	for end := time.Now().Add(deadline); ; {
		h, v := next()
		if h == 0 && v == 0.5 {
			break
		}
		if time.Now().After(end) {
			t.Fatal("the newest value was never told")
		}
	}
}

func TestSubscriptionRules(t *testing.T) {
	s := start(t)
	c, other := connect(t, s), connect(t, s)
	sub, _ := watch(t, c, 1, wear)
	call := func(x *client, req ua.Request) error {
		var code error = ua.StatusOK
		if err := x.Send(within(t), req, func(r ua.Response) error { code = r.Header().ServiceResult; return nil }); err != nil {
			return err
		}
		return code
	}
	item := opcua.NewMonitoredItemCreateRequestWithDefaults(c.node(wear), ua.AttributeIDValue, 1)
	create := &ua.CreateMonitoredItemsRequest{SubscriptionID: sub.SubscriptionID, ItemsToCreate: []*ua.MonitoredItemCreateRequest{item}}
	if err := call(other, create); !errors.Is(err, ua.StatusBadSubscriptionIDInvalid) {
		t.Errorf("an item in somebody else's subscription: %v", err)
	}
	if err := call(other, &ua.PublishRequest{SubscriptionAcknowledgements: []*ua.SubscriptionAcknowledgement{}}); !errors.Is(err, ua.StatusBadNoSubscription) {
		t.Errorf("publish without a subscription: %v", err)
	}
	var got ua.StatusCode
	err := other.Send(within(t), &ua.DeleteSubscriptionsRequest{SubscriptionIDs: []uint32{sub.SubscriptionID}}, func(r ua.Response) error {
		got = r.(*ua.DeleteSubscriptionsResponse).Results[0]
		return nil
	})
	if err != nil || got != ua.StatusBadSubscriptionIDInvalid {
		t.Errorf("deleting somebody else's subscription: %v %v", got, err)
	}
	for name, tc := range map[string]struct {
		change func(*ua.MonitoredItemCreateRequest)
		want   ua.StatusCode
	}{
		"unknown node": {func(r *ua.MonitoredItemCreateRequest) {
			r.ItemToMonitor.NodeID = ua.NewStringNodeID(nsBuilder, "nothing")
		}, ua.StatusBadNodeIDUnknown},
		"no attribute": {func(r *ua.MonitoredItemCreateRequest) { r.ItemToMonitor.AttributeID = 99 }, ua.StatusBadAttributeIDInvalid},
		"a dead band": {func(r *ua.MonitoredItemCreateRequest) {
			r.RequestedParameters.Filter = ua.NewExtensionObject(&ua.DataChangeFilter{Trigger: ua.DataChangeTriggerStatusValue, DeadbandType: 1, DeadbandValue: 0.1})
		}, ua.StatusBadMonitoredItemFilterUnsupported},
		"a plain filter": {func(r *ua.MonitoredItemCreateRequest) {
			r.RequestedParameters.Filter = ua.NewExtensionObject(&ua.DataChangeFilter{Trigger: ua.DataChangeTriggerStatusValue})
		}, ua.StatusOK},
	} {
		req := opcua.NewMonitoredItemCreateRequestWithDefaults(c.node(wear), ua.AttributeIDValue, 1)
		tc.change(req)
		resp, err := sub.Monitor(within(t), ua.TimestampsToReturnBoth, req)
		if err != nil || resp.Results[0].StatusCode != tc.want {
			t.Errorf("%s: %v %v, want %v", name, resp, err, tc.want)
		}
	}
}

func TestAnAbandonedSubscriptionEnds(t *testing.T) {
	s := start(t)
	r := openChannel(t, s)
	token := r.createSession()
	if err := r.activate(token); err != nil {
		t.Fatal(err)
	}
	_, err := r.call(&ua.CreateSubscriptionRequest{RequestedPublishingInterval: 10, RequestedLifetimeCount: 3, RequestedMaxKeepAliveCount: 1, PublishingEnabled: true}, token)
	if err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(deadline); ; time.Sleep(5 * time.Millisecond) {
		s.mu.Lock()
		n := len(s.subs)
		s.mu.Unlock()
		if n == 0 {
			return
		}
		if time.Now().After(end) {
			t.Fatal("still there")
		}
	}
}

func TestBrowsingFindsTheOffsetTable(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	ctx, cancel := context.WithTimeout(context.Background(), deadline)
	defer cancel()
	for path, want := range map[string]ua.StatusCode{
		"Offsets/OffsetRevision": ua.StatusOK, "Offsets/T12 wear radius/Kind": ua.StatusOK, "Offsets/nothing": ua.StatusBadNoMatch,
	} {
		elements := &ua.RelativePath{}
		name := ""
		for _, ch := range path + "/" {
			if ch != '/' {
				name += string(ch)
				continue
			}
			elements.Elements = append(elements.Elements, &ua.RelativePathElement{
				ReferenceTypeID: ua.NewNumericNodeID(0, 33), IncludeSubtypes: true, TargetName: &ua.QualifiedName{NamespaceIndex: nsBuilder, Name: name},
			})
			name = ""
		}
		var got *ua.BrowsePathResult
		err := c.Send(ctx, &ua.TranslateBrowsePathsToNodeIDsRequest{BrowsePaths: []*ua.BrowsePath{{
			StartingNode: ua.NewStringNodeID(nsBuilder, "Machine"), RelativePath: elements,
		}}}, func(r ua.Response) error { got = r.(*ua.TranslateBrowsePathsToNodeIDsResponse).Results[0]; return nil })
		if err != nil || got.StatusCode != want {
			t.Errorf("%s: %v %v", path, got, err)
		}
		if want == ua.StatusOK && got.Targets[0].TargetID.NodeID.StringID() != path {
			t.Errorf("%s leads to %v", path, got.Targets[0].TargetID.NodeID)
		}
	}
	refs, err := c.Node(ua.NewStringNodeID(nsBuilder, "Offsets")).Children(ctx, 47, ua.NodeClassVariable)
	if err != nil || len(refs) != 2+3 {
		t.Errorf("%d variables below Offsets, %v", len(refs), err)
	}
	refs, err = c.Node(ua.NewStringNodeID(nsBuilder, "Offsets")).Children(ctx, 46, ua.NodeClassAll)
	if err != nil || len(refs) != 0 {
		t.Errorf("%d properties of Offsets, %v", len(refs), err)
	}
	refs, err = c.Node(ua.NewStringNodeID(nsBuilder, "Machine")).Children(ctx, 47, ua.NodeClassVariable)
	if err != nil || len(refs) != 0 {
		t.Errorf("%d variables directly below the machine, %v", len(refs), err)
	}
	back, err := c.Node(ua.NewStringNodeID(nsBuilder, "Machine")).References(ctx, 35, ua.BrowseDirectionInverse, ua.NodeClassAll, true)
	if err != nil || len(back) != 1 || back[0].BrowseName.Name != "Objects" {
		t.Errorf("above the machine: %v %v", back, err)
	}
}
