package intake

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// Raw is one message as the broker gave it.
type Raw struct {
	At       time.Time
	Topic    string // at most 512 bytes
	Payload  []byte // at most MaxPayload
	Size     int    // of the whole payload
	Retained bool
	QoS      byte
}

// Listen looks at what a broker passes on, until ctx ends or hand says stop. The
// session is a new one that leaves nothing behind and takes nothing from anybody:
// every message still reaches whoever else subscribed. Broker, User, Password and
// TLS of the options are used. The error says why nothing could be heard, in one
// sentence.
func Listen(ctx context.Context, o Options, filter string, hand func(Raw) (more bool)) error {
	var tail [6]byte
	rand.Read(tail[:]) //nolint:errcheck // never fails
	o.ClientID, o.Gauges = "offsetbridge-browse-"+hex.EncodeToString(tail[:]), nil
	p, err := o.prepare()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s := &session{i: &Intake{o: p, status: make(chan Status, maxStatus)}, lost: make(chan error, 1)}
	heard := make(chan Raw, 256)
	options := s.options(ctx).SetCleanSession(true).SetAutoAckDisabled(false).
		SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) {
			r := Raw{At: time.Now(), Topic: m.Topic(), Size: len(m.Payload()), Retained: m.Retained(), QoS: m.Qos()}
			r.Topic = r.Topic[:min(len(r.Topic), 512)]
			r.Payload = append([]byte(nil), m.Payload()[:min(r.Size, MaxPayload)]...)
			select {
			case heard <- r:
			default: // a look, not a record: what comes faster than it is shown is left out
			}
		})
	s.client = mqtt.NewClient(options)
	token := s.client.Connect()
	<-token.Done() // bounded by the deadlines of dial and handshake
	if s.uncut != nil {
		defer s.uncut()
	}
	if err := token.Error(); err != nil {
		if ctx.Err() != nil {
			return nil
		}
		s.refused(err)
		return errors.New(s.i.last.Text)
	}
	defer s.client.Disconnect(100)
	if err := s.look(ctx, filter); err != nil || ctx.Err() != nil {
		return err
	}
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-s.lost:
			s.ended(err)
			return errors.New(s.i.last.Text)
		case r := <-heard:
			if !hand(r) {
				return nil
			}
		}
	}
}

// look subscribes for a listener.
func (s *session) look(ctx context.Context, filter string) error {
	s.guard.expects.Store(1)
	token := s.client.Subscribe(filter, 1, nil).(*mqtt.SubscribeToken)
	select {
	case <-token.Done():
	case <-ctx.Done():
		return nil
	case <-time.After(answerTimeout):
		return fmt.Errorf("no answer to a subscription: %w", os.ErrDeadlineExceeded)
	}
	s.guard.expects.Store(0)
	if err := token.Error(); err != nil && !errors.Is(err, packets.ErrorRefusedNotAuthorised) {
		return errors.New(sentence(Denied, quote(filter)+": "+cause(err)))
	}
	if answer, ok := token.Result()[filter]; !ok || answer > 2 {
		return errors.New(sentence(Denied, quote(filter)))
	}
	return nil
}
