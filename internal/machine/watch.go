package machine

import (
	"context"
	"errors"
	"time"

	"github.com/gopcua/opcua/ua"
)

// errUnwatched says that the server gives no subscription: polling has to do.
var errUnwatched = errors.New("the server gives no subscription")

// keepAlive is how often an idle subscription answers.
const keepAlive = time.Second

func (s *uaSession) watch(ctx context.Context, ids []*ua.NodeID, interval time.Duration, wake func()) error {
	sub, err := s.subscribe(ctx, ids, interval)
	if err != nil {
		return err
	}
	quiet := time.Duration(sub.RevisedPublishingInterval*float64(sub.RevisedMaxKeepAliveCount)) * time.Millisecond
	patience := min(max(quiet, keepAlive), time.Minute) + s.o.Request
	acks := []*ua.SubscriptionAcknowledgement{}
	for {
		req := &ua.PublishRequest{SubscriptionAcknowledgements: acks}
		res, err := call[*ua.PublishResponse](ctx, s.c, req, s.token, patience)
		if err != nil {
			return err
		}
		acks = []*ua.SubscriptionAcknowledgement{}
		n := res.NotificationMessage
		if n == nil || len(n.NotificationData) == 0 {
			continue
		}
		acks = append(acks, &ua.SubscriptionAcknowledgement{SubscriptionID: res.SubscriptionID, SequenceNumber: n.SequenceNumber})
		for _, d := range n.NotificationData {
			if d == nil {
				continue
			}
			if ended, ok := d.Value.(*ua.StatusChangeNotification); ok {
				return ended.Status
			}
		}
		wake()
	}
}

func (s *uaSession) subscribe(ctx context.Context, ids []*ua.NodeID, interval time.Duration) (*ua.CreateSubscriptionResponse, error) {
	ms := float64(interval) / float64(time.Millisecond)
	sub, err := call[*ua.CreateSubscriptionResponse](ctx, s.c, &ua.CreateSubscriptionRequest{
		RequestedPublishingInterval: ms,
		RequestedMaxKeepAliveCount:  uint32(max(1, keepAlive/interval)),
		RequestedLifetimeCount:      uint32(max(3, s.o.forgotten()/interval)),
		PublishingEnabled:           true,
	}, s.token, s.o.Request)
	if err != nil {
		return nil, unwatched(err)
	}
	req := &ua.CreateMonitoredItemsRequest{
		SubscriptionID:     sub.SubscriptionID,
		TimestampsToReturn: ua.TimestampsToReturnBoth,
	}
	for i, id := range ids {
		req.ItemsToCreate = append(req.ItemsToCreate, &ua.MonitoredItemCreateRequest{
			ItemToMonitor:  valueOf(id),
			MonitoringMode: ua.MonitoringModeReporting,
			RequestedParameters: &ua.MonitoringParameters{
				ClientHandle:     uint32(i + 1),
				SamplingInterval: ms,
				QueueSize:        1, // it only wakes us
				DiscardOldest:    true,
			},
		})
	}
	if _, err := call[*ua.CreateMonitoredItemsResponse](ctx, s.c, req, s.token, s.o.Request); err != nil {
		return nil, unwatched(err)
	}
	return sub, nil
}

// unwatched tells a server that refuses subscriptions from a broken session.
func unwatched(err error) error {
	if s, ok := status(err); ok && s != ua.StatusBadTimeout && s != ua.StatusBadSessionIDInvalid {
		return errors.Join(errUnwatched, s)
	}
	return err
}

// valueOf asks for a node's value.
func valueOf(id *ua.NodeID) *ua.ReadValueID { return attributeOf(id, ua.AttributeIDValue) }

func attributeOf(id *ua.NodeID, attribute ua.AttributeID) *ua.ReadValueID {
	return &ua.ReadValueID{NodeID: id, AttributeID: attribute, DataEncoding: &ua.QualifiedName{}}
}
