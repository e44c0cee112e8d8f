// Package estimate turns the readings of one loop, each with the register that was in force when its
// part was cut, into what the next part will be: its expected size, how sure that is, how strongly
// the register really acts, and how much a reading scatters.
//
// The contract: estimators are plain values. The same settings and the same sequence of calls give
// the same state and the same answers, byte for byte, on the same build and architecture; a state
// written as JSON and read back goes on identically; Forecast changes nothing; no call reads a clock,
// starts a goroutine or, once made, allocates; and whatever the input, every number stays finite.
// Lengths are micrometres as float64: this is estimation, and what reaches a register is made exact
// elsewhere. Everything counts in parts; minutes matter for warmth alone.
//
// # The model
//
// A reading of part k is
//
//	deviation = level + set-up + tool·wear(age) + run·cold·coldness + effect·command + zero + scatter
//
// and each term but the scatter is a state of a Kalman filter: the machine's level walks; each tool
// brings its own set-up and its own multiple of an average tool's wear (a rate, a running in, an end
// of life once lives have shown to be equal); each run after a stop its own multiple of an average
// cold machine; the effect is a ratio to the nominal one; the gauge's zero walks and is stepped back
// by each setting. Because the command of each part's own cut is a regressor, parts in transit,
// several moves in flight and known hand edits need no special case.
//
// How fast the level walks and how slowly the machine warms are not states but a bank of filters,
// weighted by how well each foretold the readings; σ² of a reading is estimated along with the states
// in normal-gamma form. Nothing is to be tuned.
//
// # Doubt
//
// A reading further than Settings.Gate standard deviations from what the bank expects is Suspect and
// not used. The caller should have the same cut gauged again (Observation.Regauge), at most twice:
// one reading that fits clears it, three that agree are a BelievedStep. Where no second reading
// comes, parts one after another must agree, two or three of them depending on how such pairs ended
// before. Suspect parts that agree with nothing, or steps that chase each other, mean that the
// scatter has grown. A reading again of a cut whose reading was used counts as more evidence on that
// cut, never as a second part.
//
// Average is the plain fixed exponential average on the same seam, to compare with.
package estimate
