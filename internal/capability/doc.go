// Package capability holds the statistics of sizes: moments, capability and
// performance indices with their intervals, control charts and what their false
// alarms cost, comparisons, gauge studies and tool lives.
//
// Everything is a function of its arguments: no I/O, no clock, no goroutine, no
// chance but a generator whose start is fixed, so the same readings give the same
// figures. Statistics are float64 in the unit of the caller. Where a figure can be
// kept up reading by reading it is ([Moments], [Tally], [Ranges]), and memory then
// does not grow with the readings. Formulas name their standard or paper.
//
// A figure of this package judges a process. It accepts no part.
package capability
