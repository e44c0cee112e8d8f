package main

import (
	"fmt"
	"math"
	"strings"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/simulators/plant"
)

// What the bench's machine, gauge and loop are called.
const (
	aimNM   = 30_000_000 // nm
	program = "BODY"
	gauging = "bench-1"
	sized   = "size"
	ring    = "ring"
)

// configured returns the settings of a shop with one machine, gauge and loop, as the daemon reads
// them from a file that says no more than it must: every bound is the shipped default. Lines are
// added to the loop, to its bounds, and to the gauge.
func configured(p plant.Params, loop, bounds, gauge string) core.Settings {
	c, err := config.Parse("bench", []byte(text(p, loop, bounds, gauge)))
	if err != nil {
		panic("the bench's own configuration: " + err.Error())
	}
	return c.Settings("cell")
}

// opened returns the same settings with every bound wide open.
func opened(s core.Settings) core.Settings {
	const wide = 10 * length.Millimetre
	for i := range s.Loops {
		b := &s.Loops[i].Bounds
		b.AutoStep, b.OperatorStep, b.SetterStep, b.Travel = wide, wide, wide, 1000*wide
	}
	return s
}

func text(p plant.Params, loop, bounds, gauge string) string {
	operation, kind := "turned outside", "x diameter"
	switch internal := factsOf(p).reworkSide < 0; {
	case p.Effect == -2 && internal:
		operation, kind = "milled internal thread", "radius"
	case p.Effect == 1 && internal:
		operation, kind = "actuated boring tool", "diameter"
	case p.Effect != 1:
		panic(fmt.Sprintf("no operation has the effect %g", p.Effect))
	}
	unit, step := "mm", fmt.Sprintf("%.5f mm", p.Step/1000)
	if p.Step == 2.54 {
		unit, step = "in", "0.0001 in"
	}
	size := func(um float64) string { return fmt.Sprintf("%.4f", (float64(aimNM)/1000+um)/1000) }
	each := math.Floor(band/p.StepSize()) * p.Step / 1000
	return strings.NewReplacer(
		"LIMITS", size(-p.HalfTolerance)+".."+size(p.HalfTolerance)+" mm",
		"OPERATION", operation, "KIND", kind, "UNIT", unit, "STEP", step,
		"BAND", fmt.Sprintf("%.5f..%.5f mm", -each, each),
		"LOOP", loop, "BOUNDS", bounds, "GAUGE", gauge,
	).Replace(file)
}

const file = `version = 1
[journal]
directory = "data"
[mqtt]
broker = "mqtt://127.0.0.1:1883"
[[gauge]]
name = "` + gauging + `"
topic = "gauge"
identity = "counter"
range = "20..40 mm"
resolution = "0.0001 mm"
max_decimals = 4
message = { value = "/v", unit = "/u", sequence = "/n", characteristic = "/c", machine = "=cell", part = "/p", state = "=production" }
GAUGE
[[machine]]
name = "cell"
serial = "1"
endpoint = "opc.tcp://127.0.0.1:4840"
security_policy = "None"
security_mode = "None"
counts_at = "end"
effective = "at once"
[machine.nodes]
serial = "nsu=urn:b;s=serial"
counter = "nsu=urn:b;s=counter"
program = "nsu=urn:b;s=program"
permitted = "nsu=urn:b;s=permitted"
permitted_when = ["true"]
[[machine.tool]]
name = "T"
generation = "nsu=urn:b;s=tool"
[[machine.register]]
name = "R"
node = "nsu=urn:b;s=register"
tool = "T"
kind = "KIND"
unit = "UNIT"
step = "STEP"
band = "BAND"
clearance = "2 mm"
[[loop]]
name = "loop"
machine = "cell"
program = "` + program + `"
mode = "auto"
registers = ["R"]
LOOP
[[loop.characteristic]]
name = "` + sized + `"
limits = "LIMITS"
operation = "OPERATION"
gauges = ["` + gauging + `"]
[loop.bounds]
BOUNDS
`
