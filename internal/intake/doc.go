// Package intake turns MQTT messages into facts for the core.
//
// Its contract has two halves.
//
// Mapping.Parse is a pure, total function: any topic and any bytes give either
// one fact or one reason why not, never a panic, never a guess. It accepts only
// what a strict JSON reader accepts, and of that only what the gauge's mapping
// declares; nothing that matters comes from a default, and a value becomes an
// exact length from its decimal text without passing through binary floating
// point.
//
// An Intake keeps one session with a broker. Every message that reaches it is
// handed out, also the ones it had to refuse, and is acknowledged to the broker
// only after the receiver called Ack, in the order of receipt. What was not
// acknowledged comes again. All queues are bounded: when the receiver falls
// behind, the intake disconnects, says so, and leaves the rest with the broker.
package intake
