package intake

import "time"

// limiter is a token bucket: one gauge that floods must not starve the others.
type limiter struct {
	rate   float64 // tokens a second, 0 = no limit
	burst  float64
	tokens float64
	last   time.Time
	excess int     // refused since they were last reported
	sample Message // the latest of them
}

func newLimiter(g Gauge) limiter {
	return limiter{rate: g.Rate, burst: float64(g.Burst), tokens: float64(g.Burst)}
}

// allow takes a token.
func (l *limiter) allow(now time.Time) bool {
	if l.rate == 0 {
		return true
	}
	if !l.last.IsZero() {
		l.tokens = min(l.burst, l.tokens+l.rate*now.Sub(l.last).Seconds())
	}
	l.last = now
	if l.tokens < 1 {
		return false
	}
	l.tokens--
	return true
}
