package machine

import (
	"bytes"
	"math"
	"time"

	"github.com/gopcua/opcua/ua"
)

// Bounds of subscriptions.
const (
	maxSubscriptions = 64 // of the server
	maxItems         = 1000
	maxQueue         = 100
	maxWaiting       = 20 // publish requests a session may leave with us
	minPublish       = 10 * time.Millisecond
	maxPublish       = time.Minute
)

// subscription tells a session what changed; Server.mu guards it. A change of
// the machine is queued when it happens, not when it is next sampled, so that
// a value that moved and came back is seen as two changes.
type subscription struct {
	id       uint32
	ses      *session
	interval time.Duration
	keep     uint32 // intervals without news before a keep-alive
	life     uint32 // intervals without a publish request before it ends
	quiet    uint32
	lonely   uint32
	sequence uint32
	sent     bool
	items    map[uint32]*item
	order    []*item
	stop     chan struct{}
}

// item is one monitored value.
type item struct {
	id, handle uint32
	read       *ua.ReadValueID
	stamps     ua.TimestampsToReturn
	queue      []*ua.DataValue
	size       int
	last       []byte // encoded value and status that was queued last
	reporting  bool
}

type publishRequest struct {
	id   uint32
	head *ua.RequestHeader
}

// answer is a publish response with the way it has to go.
type answer struct {
	c    *conn
	id   uint32
	resp ua.Response
}

func (a answer) send() {
	if a.c != nil {
		a.c.send(a.id, a.resp)
	}
}

func (s *Server) createSubscription(c *conn, ses *session, r *ua.CreateSubscriptionRequest) (ua.Response, ua.StatusCode) {
	every := r.RequestedPublishingInterval
	if math.IsNaN(every) {
		every = 0
	}
	interval := min(max(time.Duration(min(every, 1e6)*1e6), minPublish), maxPublish)
	keep := min(max(r.RequestedMaxKeepAliveCount, 1), 10_000)
	sub := &subscription{
		ses: ses, interval: interval, keep: keep,
		life:  max(min(r.RequestedLifetimeCount, 100_000), 3*keep),
		items: map[uint32]*item{}, stop: make(chan struct{}),
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.subs) >= maxSubscriptions {
		return nil, ua.StatusBadTooManySubscriptions
	}
	s.lastID++
	sub.id = s.lastID
	s.subs[sub.id] = sub
	c.n.wg.Go(func() { s.runSubscription(c.n, sub) })
	return &ua.CreateSubscriptionResponse{
		ResponseHeader: good(r), SubscriptionID: sub.id,
		RevisedPublishingInterval: float64(interval) / 1e6, RevisedLifetimeCount: sub.life, RevisedMaxKeepAliveCount: keep,
	}, ua.StatusOK
}

func (s *Server) runSubscription(n *network, sub *subscription) {
	t := time.NewTicker(sub.interval)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			s.mu.Lock()
			a := s.tick(sub)
			s.mu.Unlock()
			a.send()
		case <-sub.stop:
			return
		case <-n.quit:
			return
		}
	}
}

// tick is one publishing interval; the caller holds mu.
func (s *Server) tick(sub *subscription) answer {
	if s.subs[sub.id] != sub {
		return answer{}
	}
	pending := false
	now := sample{st: s.st, at: s.o.Now()}
	for _, it := range sub.order {
		if it.read.NodeID.Namespace() == nsStandard { // nothing announces these
			s.look(it, &now)
		}
		pending = pending || (it.reporting && len(it.queue) > 0)
	}
	sub.quiet++
	if len(sub.ses.waiting) == 0 {
		sub.lonely++
		if sub.lonely > sub.life {
			s.endSubscription(sub.id)
		}
		return answer{}
	}
	sub.lonely = 0
	if !pending && sub.sent && sub.quiet < sub.keep {
		return answer{}
	}
	p := sub.ses.waiting[0]
	sub.ses.waiting = sub.ses.waiting[1:]
	sub.quiet, sub.sent = 0, true
	msg := &ua.NotificationMessage{SequenceNumber: sub.sequence + 1, PublishTime: nowUTC(), NotificationData: []*ua.ExtensionObject{}}
	if pending {
		sub.sequence++
		msg.NotificationData = append(msg.NotificationData, ua.NewExtensionObject(sub.drain()))
	}
	return answer{sub.ses.conn, p.id, &ua.PublishResponse{
		ResponseHeader: header(p.head, ua.StatusOK), SubscriptionID: sub.id,
		NotificationMessage: msg, AvailableSequenceNumbers: []uint32{}, Results: []ua.StatusCode{}, DiagnosticInfos: []*ua.DiagnosticInfo{},
	}}
}

func (sub *subscription) drain() *ua.DataChangeNotification {
	n := &ua.DataChangeNotification{DiagnosticInfos: []*ua.DiagnosticInfo{}}
	for _, it := range sub.order {
		if !it.reporting {
			continue
		}
		for _, v := range it.queue {
			n.MonitoredItems = append(n.MonitoredItems, &ua.MonitoredItemNotification{ClientHandle: it.handle, Value: v})
		}
		it.queue = nil
	}
	return n
}

// observe queues what changed, in every subscription; the caller holds mu.
func (s *Server) observe() {
	if len(s.subs) == 0 {
		return
	}
	now := sample{st: s.st, at: s.o.Now()}
	for _, sub := range s.subs {
		for _, it := range sub.order {
			s.look(it, &now)
		}
	}
}

func (s *Server) look(it *item, now *sample) {
	v := s.value(it.read, now, ua.StatusOK)
	seen, err := v.Encode()
	if err != nil || bytes.Equal(seen, it.last) {
		return
	}
	it.last = seen
	stamp(v, it.stamps, it.read.AttributeID, now.at, now.at)
	it.queue = append(it.queue, v)
	if len(it.queue) > it.size { // the oldest goes; the next one carries the overflow bits of Part 4
		it.queue = it.queue[1:]
		if it.size > 1 {
			it.queue[0].EncodingMask |= ua.DataValueStatusCode
			it.queue[0].Status |= 0x480
		}
	}
}

func (s *Server) createItems(ses *session, r *ua.CreateMonitoredItemsRequest) (ua.Response, ua.StatusCode) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sub := s.subs[r.SubscriptionID]
	switch {
	case sub == nil || sub.ses != ses:
		return nil, ua.StatusBadSubscriptionIDInvalid
	case len(r.ItemsToCreate) == 0:
		return nil, ua.StatusBadNothingToDo
	case len(r.ItemsToCreate) > maxItems:
		return nil, ua.StatusBadTooManyOperations
	case r.TimestampsToReturn > ua.TimestampsToReturnNeither:
		return nil, ua.StatusBadTimestampsToReturnInvalid
	}
	now := sample{st: s.st, at: s.o.Now()}
	resp := &ua.CreateMonitoredItemsResponse{ResponseHeader: good(r), DiagnosticInfos: []*ua.DiagnosticInfo{}}
	for _, q := range r.ItemsToCreate {
		res := &ua.MonitoredItemCreateResult{FilterResult: ua.NewExtensionObject(nil)}
		res.StatusCode = s.createItem(sub, q, r.TimestampsToReturn, &now, res)
		resp.Results = append(resp.Results, res)
	}
	return resp, ua.StatusOK
}

func (s *Server) createItem(sub *subscription, q *ua.MonitoredItemCreateRequest, stamps ua.TimestampsToReturn, now *sample, res *ua.MonitoredItemCreateResult) ua.StatusCode {
	p := q.RequestedParameters
	if q.ItemToMonitor == nil || p == nil {
		return ua.StatusBadNodeIDInvalid
	}
	if len(sub.items) >= maxItems {
		return ua.StatusBadTooManyMonitoredItems
	}
	if f := p.Filter; f != nil && f.Value != nil {
		d, ok := f.Value.(*ua.DataChangeFilter)
		if !ok || d.DeadbandType != 0 { // no dead band: what changed is told
			return ua.StatusBadMonitoredItemFilterUnsupported
		}
	}
	if v := s.value(q.ItemToMonitor, now, ua.StatusOK); v.Has(ua.DataValueStatusCode) && v.Status != ua.StatusOK {
		return v.Status
	}
	s.lastID++
	it := &item{
		id: s.lastID, handle: p.ClientHandle, read: q.ItemToMonitor, stamps: stamps,
		size: int(min(max(p.QueueSize, 1), maxQueue)), reporting: q.MonitoringMode == ua.MonitoringModeReporting,
	}
	sub.items[it.id] = it
	sub.order = append(sub.order, it)
	s.look(it, now)
	res.MonitoredItemID, res.RevisedQueueSize = it.id, uint32(it.size)
	return ua.StatusOK
}

func (s *Server) deleteItems(ses *session, r *ua.DeleteMonitoredItemsRequest) (ua.Response, ua.StatusCode) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sub := s.subs[r.SubscriptionID]
	if sub == nil || sub.ses != ses {
		return nil, ua.StatusBadSubscriptionIDInvalid
	}
	resp := &ua.DeleteMonitoredItemsResponse{ResponseHeader: good(r), DiagnosticInfos: []*ua.DiagnosticInfo{}}
	for _, id := range r.MonitoredItemIDs {
		code := ua.StatusBadMonitoredItemIDInvalid
		if it := sub.items[id]; it != nil {
			code = ua.StatusOK
			delete(sub.items, id)
			for i := range sub.order {
				if sub.order[i] == it {
					sub.order = append(sub.order[:i:i], sub.order[i+1:]...)
					break
				}
			}
		}
		resp.Results = append(resp.Results, code)
	}
	return resp, ua.StatusOK
}

func (s *Server) deleteSubscriptions(ses *session, r *ua.DeleteSubscriptionsRequest) (ua.Response, ua.StatusCode) {
	s.mu.Lock()
	resp := &ua.DeleteSubscriptionsResponse{ResponseHeader: good(r), DiagnosticInfos: []*ua.DiagnosticInfo{}}
	for _, id := range r.SubscriptionIDs {
		code := ua.StatusBadSubscriptionIDInvalid
		if sub := s.subs[id]; sub != nil && sub.ses == ses {
			code = ua.StatusOK
			s.endSubscription(id)
		}
		resp.Results = append(resp.Results, code)
	}
	left := s.orphans(ses)
	s.mu.Unlock()
	for _, a := range left {
		a.send()
	}
	return resp, ua.StatusOK
}

// endSubscription stops a subscription; the caller holds mu.
func (s *Server) endSubscription(id uint32) {
	if sub := s.subs[id]; sub != nil {
		close(sub.stop)
		delete(s.subs, id)
	}
}

// orphans answers the publish requests of a session that has no subscription
// left; the caller holds mu.
func (s *Server) orphans(ses *session) []answer {
	for _, sub := range s.subs {
		if sub.ses == ses {
			return nil
		}
	}
	var out []answer
	for _, p := range ses.waiting {
		out = append(out, answer{ses.conn, p.id, fault(p.head, ua.StatusBadNoSubscription)})
	}
	ses.waiting = nil
	return out
}

// publish keeps the request until a subscription has something to say.
func (s *Server) publish(ses *session, id uint32, r *ua.PublishRequest) (ua.Response, ua.StatusCode) {
	s.mu.Lock()
	defer s.mu.Unlock()
	has := false
	for _, sub := range s.subs {
		has = has || sub.ses == ses
	}
	switch {
	case !has:
		return nil, ua.StatusBadNoSubscription
	case len(ses.waiting) >= maxWaiting:
		return nil, ua.StatusBadTooManyPublishRequests
	}
	ses.waiting = append(ses.waiting, publishRequest{id, r.RequestHeader})
	return nil, ua.StatusOK
}
