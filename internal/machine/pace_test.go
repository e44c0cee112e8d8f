package machine

import (
	"context"
	"testing"
	"testing/synctest"
	"time"
)

// How soon a session is tried again. What is put right is found within 10 s,
// but a server that refuses the login is left alone after the first tries, so
// that no account is locked by us.
func TestPace(t *testing.T) {
	const quick, slow = 10 * time.Second, 73 * time.Second // with jitter
	for name, c := range map[string]struct {
		why  []*fault // of each attempt, the last of them for ever
		most []time.Duration
		over time.Duration // least time of so many attempts
	}{
		"a difference":         {why: []*fault{differs(CodeUnit, "in")}, most: []time.Duration{quick, quick, quick, quick, quick, quick}, over: 48 * time.Second},
		"nobody there":         {why: []*fault{wait(CodeDial, "")}, most: []time.Duration{time.Second, time.Second, 2 * time.Second, 3 * time.Second, 5 * time.Second, quick}},
		"a refused login":      {why: []*fault{wait(CodeLogin, "")}, most: []time.Duration{quick, quick, quick, slow, slow}, over: 144 * time.Second},
		"refused, then nobody": {why: []*fault{wait(CodeLogin, ""), wait(CodeLogin, ""), wait(CodeLogin, ""), wait(CodeDial, ""), wait(CodeLogin, "")}, most: []time.Duration{quick, quick, quick, time.Second, quick}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := hurried(newFakeRig().options())
				o.Retry, o.Longest, o.Recheck, o.Relogin = 0, 0, 0, 0 // what a plant gets
				tries := make(chan time.Time, 64)
				o.connect = func(context.Context, *Options) (session, *Peer, error) {
					tries <- time.Now()
					f := c.why[0]
					if len(c.why) > 1 {
						c.why = c.why[1:]
					}
					return nil, nil, f
				}
				m := Open(o)
				defer m.Close() //nolint:errcheck // a test's
				first := <-tries
				last := first
				for i, most := range c.most {
					now := <-tries
					if now.Sub(last) > most {
						t.Errorf("pause %d is %v, at most %v", i+1, now.Sub(last), most)
					}
					last = now
				}
				if last.Sub(first) < c.over {
					t.Errorf("%d tries within %v, not before %v", len(c.most), last.Sub(first), c.over)
				}
			})
		})
	}
}
