// Package faultsim runs the production core, bridge, gate, write sequence and
// message parser over a simulated plant - machines, broker, gauges, people, disk
// and clock - under a seeded schedule of faults, and lets an oracle that stands at
// the machines check the invariants I1 to I16 listed in HAZARDS.md.
//
// One seed is one world: a few hundred parts on two machines from the first start
// to a calm end. The same seed gives the same world, byte for byte, and a violation
// names the seed and the step that show it again.
//
// What runs is production code: core.State and core.Plant, bridge.Bridge and
// bridge.Gate, journal.Memory behind the store's contract, machine.Stepper (survey,
// sample, pre-read, send, read-back) and intake.Mapping. What is modelled, and
// harsher than it is: the goroutines around them become a scheduler that stops
// anywhere; the broker delivers any message any number of times, in any order, also
// after its acknowledgement; the group writer of the journal is one append a
// commit, with a crash possible before, between and after staging and syncing.
//
// Two assumptions of the hazard analysis bound the schedules. A session's samples
// are taken before the same person can edit twice; while no session is up anything
// may happen. A request takes effect at most late milliseconds after the client
// gave up, which is less than the quarantine. What no client can see is counted as a
// residual, not as a violation: an edit between pre-read and effect that the effect
// overwrites. A third of the machines takes changes over by its own program, and there
// even that is a violation.
package faultsim
