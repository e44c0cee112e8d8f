package config

import "net"

// Metrics says where figures for Prometheus are offered. Without an address there are
// none.
type Metrics struct {
	Listen string // "host:port"; "" is none
}

func (c *Config) readMetrics(top *table) {
	t := top.table("metrics")
	if t == nil {
		return
	}
	defer t.close()
	s, ok := t.text("listen")
	if !ok {
		if !t.has("listen") {
			t.problem("listen", "is missing, write an address as in \"127.0.0.1:9469\", or leave out the whole section: then there are no figures")
		}
		return
	}
	c.Metrics.Listen = s
	t.listen(s)
	if host, _, err := net.SplitHostPort(s); err == nil && !loopback(host) {
		t.warn("listen", "can be read from other computers, unencrypted and by anybody: names of machines and loops, how many readings and writes; listen on 127.0.0.1 unless the network is yours alone")
	}
	if c.Page.Listen == s {
		t.problem("listen", "is the address of the page as well, give figures a port of their own")
	}
}
