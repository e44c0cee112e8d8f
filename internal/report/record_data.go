package report

import (
	"math"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/series"
)

// recordData adds to the figures of a capability report what only a record tells.
type recordData struct {
	capabilityData
	Machine     string     `json:"machine"`
	Loop        string     `json:"loop"`
	Mode        string     `json:"mode"`
	Revision    string     `json:"settings_revision"`
	Parts       int        `json:"parts"`
	Corrections int        `json:"corrections"`
	LivesWhole  int        `json:"lives_whole"`
	Lives       []lifeData `json:"lives"`
	SdLives     Number     `json:"sd_within_lives"`
	SdLine      Number     `json:"sd_about_lines"`
	SdMeans     Number     `json:"sd_of_life_means"`

	machineData

	Ways       waysData `json:"ways"`
	ErrorN     int      `json:"forecast_errors"`
	ErrorSd    Number   `json:"forecast_error_sd"`
	ErrorLag   Number   `json:"forecast_error_autocorrelation"`
	Signals    int      `json:"forecast_error_signals"`
	SignalList []signal `json:"signals,omitempty"`
}

// machineData is machine performance.
type machineData struct {
	PmN       int    `json:"pm_n"`
	Pm        Number `json:"pm"`
	PmLow     Number `json:"pm_low"`
	PmHigh    Number `json:"pm_high"`
	Pmk       Number `json:"pmk"`
	PmkLow    Number `json:"pmk_low"`
	PmkHigh   Number `json:"pmk_high"`
	PmRefused string `json:"pm_refused,omitempty"`
}

func machineOf(p *capability.Performance) machineData {
	n := func(v float64) Number { return Number(v) }
	return machineData{
		PmN: p.N, Pm: n(p.Pm.Value), PmLow: n(p.Pm.Low), PmHigh: n(p.Pm.High),
		Pmk: n(p.Pmk.Value), PmkLow: n(p.Pmk.Low), PmkHigh: n(p.Pmk.High), PmRefused: p.Refused,
	}
}

// runData is a capability report of one run.
type runData struct {
	capabilityData
	machineData
}

type lifeData struct {
	Number  int    `json:"life"`
	Whole   bool   `json:"whole"`
	N       int    `json:"n"`
	Mean    Number `json:"mean"`
	SD      Number `json:"sd"`
	Slope   Number `json:"slope_per_part"`
	SlopeSE Number `json:"slope_se"`
	Own     Number `json:"own_slope_per_part"`
	OwnSE   Number `json:"own_slope_se"`
	Outside int    `json:"outside"`
}

type wayData struct {
	RMS   Number `json:"rms_um"`
	Below int    `json:"below_lower"`
	Above int    `json:"above_upper"`
}

type waysData struct {
	N        int     `json:"n"`
	Recorded wayData `json:"recorded"`
	Nobody   wayData `json:"nobody"`
	Full     wayData `json:"full"`
	Below    Number  `json:"below_avoided"`
	BelowLow Number  `json:"below_avoided_low"`
	BelowHi  Number  `json:"below_avoided_high"`
	Above    Number  `json:"above_avoided"`
	AboveLow Number  `json:"above_avoided_low"`
	AboveHi  Number  `json:"above_avoided_high"`
}

func waysOf(w *capability.Alternatives, confidence float64) waysData {
	of := func(o *capability.Outcome) wayData { return wayData{Number(o.RMS), o.Below, o.Above} }
	b := w.Avoided(&w.None, &w.AsIs, capability.LowerSide, confidence)
	a := w.Avoided(&w.None, &w.AsIs, capability.UpperSide, confidence)
	return waysData{
		N: w.N, Recorded: of(&w.AsIs), Nobody: of(&w.None), Full: of(&w.Full),
		Below: Number(b.Value), BelowLow: Number(b.Low), BelowHi: Number(b.High), Above: Number(a.Value), AboveLow: Number(a.Low), AboveHi: Number(a.High),
	}
}

func (r *recorded) data(s *Subject, b *series.Basis, a *capability.Assessment, pm *capability.Performance, w *capability.Alternatives, p *charted) recordData {
	n := func(v float64) Number { return Number(v) }
	d := recordData{
		capabilityData: dataOf(s, r.l, a), Machine: b.Machine, Loop: b.Loop, Revision: b.Digest, Parts: b.Parts, Corrections: b.Corrections,
		machineData: machineOf(pm), Ways: waysOf(w, a.Confidence), ErrorN: p.n, ErrorSd: n(p.sigma), ErrorLag: n(p.lag), Signals: p.many, SignalList: p.signals,
		Lives: []lifeData{},
	}
	d.Of = b.Characteristic
	if loop := b.Settings.Loop(b.Loop); loop != nil {
		d.Mode = string(loop.Mode)
	}
	inside, about, means, _ := r.lives.Within()
	d.SdLives, d.SdLine, d.SdMeans = n(inside), n(about), n(means)
	for i := range r.lives.Each {
		e := &r.lives.Each[i]
		if e.Whole {
			d.LivesWhole++
		}
		d.Lives = append(d.Lives, lifeData{e.Number, e.Whole, e.N, n(e.Mean), n(e.SD), n(e.Slope), n(e.SE), n(e.Own), n(e.OwnSE), e.Beyond})
	}
	if p.n == 0 {
		d.ErrorSd, d.ErrorLag = n(math.NaN()), n(math.NaN())
	}
	return d
}
