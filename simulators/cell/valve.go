package cell

import "offsetbridge/simulators/plant"

// Valve is the bundled scenario: a hydraulic valve body is milled on mill-1, an
// internal thread M16×1.5-6H and a bore 28 H8; its spool 28 f7 is turned on
// lathe-2. Everything about it is invented. Wear leaves metal on: holes come
// out smaller and the spool larger from part to part.
func Valve() []Machine {
	return []Machine{
		{
			Name: "mill-1", Serial: "SIM-MILL-1", Program: "VALVE-BODY",
			Features: []Feature{
				{
					Name: "M16x1.5-6H pitch", Gauge: "thread-1", Tool: "T7", Register: "T7-radius", Kind: "radius", Range: 1,
					Aim: 15.121, Limits: [2]float64{15.026, 15.216}, Decimals: 3,
					Process: plant.Params{
						HalfTolerance: 95, CycleMinutes: 4, GaugeEvery: 1, SigmaProcess: 2, SigmaGauge: 2, Walk: 0.2,
						SetupFirst: 30, SetupLater: 15, WearRate: -0.35, RunIn: -6, RunInParts: 6, ToolSpread: 0.2, Life: 90,
						Effect: -2, EffectRatio: 1, Step: 1,
					},
				},
				{
					Name: "bore 28 H8", Gauge: "bore-1", Tool: "T12", Register: "T12-diameter", Kind: "diameter", Range: 1,
					Aim: 28.0165, Limits: [2]float64{28.000, 28.033}, Decimals: 4,
					Process: plant.Params{
						HalfTolerance: 16.5, CycleMinutes: 4, GaugeEvery: 1, SigmaProcess: 1.1, SigmaGauge: 0.7, Walk: 0.1,
						SetupFirst: 7, SetupLater: 4, WearRate: -0.15, ToolSpread: 0.2, Life: 140,
						Effect: -1, EffectRatio: 1, Step: 1,
					},
				},
			},
		},
		{
			Name: "lathe-2", Serial: "SIM-LATHE-2", Program: "SPOOL", Handover: true,
			Features: []Feature{
				{
					Name: "spool 28 f7", Gauge: "snap-2", Tool: "T3", Register: "T3-X", Kind: "x", Range: 1,
					Aim: 27.9695, Limits: [2]float64{27.959, 27.980}, Decimals: 4,
					Process: plant.Params{
						HalfTolerance: 10.5, CycleMinutes: 1.5, GaugeEvery: 1, SigmaProcess: 0.8, SigmaGauge: 0.5, Walk: 0.08,
						SetupFirst: 5, SetupLater: 3, WearRate: 0.08, ToolSpread: 0.2, Life: 220,
						Cold: 6, ColdSpread: 0.2, HeatMinutes: 25, CoolMinutes: 40, Effect: 1, EffectRatio: 1, Step: 1,
					},
				},
			},
		},
	}
}

// Topic is where the bundled cell's gauges publish.
const Topic = "cell/{machine}/gauge/{gauge}/reading"
