// Package core decides. It is a deterministic state machine over one machine's
// loops: inputs go in, events come out, and folding those events gives the same
// ledger back. The package reads no clock, starts no goroutine, does no I/O and
// lets no map order show: the same inputs give the same events, byte for byte,
// on the same build and architecture.
package core
