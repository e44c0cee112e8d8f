package core

import (
	"errors"
	"slices"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// Worth is what a reading is worth beyond its number: the size it says at 20 °C,
// how uncertain that is, and what the two decide about conformity. It is worked
// out once, when the reading is admitted, since the gauge may be set anew while
// the reading waits for the record of its cut.
type Worth struct {
	Correction  length.Length  `json:"c,omitempty"` // size at 20 °C − what was read
	Thermal     length.Length  `json:"s,omitempty"` // standard uncertainty that the temperatures leave
	Uncorrected Code           `json:"n,omitempty"` // why it was not referred to 20 °C though that is configured
	U           length.Length  `json:"u,omitempty"` // expanded uncertainty, about 95 %
	Decision    gauge.Decision `json:"d"`
	Open        Code           `json:"o,omitempty"` // why U is not known: in doubt, whatever the size
	Thread      bool           `json:"th,omitempty"`
}

// Thermal says how the readings of a gauge are referred to 20 °C.
type Thermal struct {
	Window     gauge.Celsius   `json:"window_mk"`      // farther from 20 °C, or from the setting, nothing is corrected
	Sigma      gauge.Celsius   `json:"uncertainty_mk"` // standard uncertainty of each temperature
	Required   bool            `json:"required,omitempty"`
	Alpha      gauge.Expansion `json:"alpha,omitempty"` // of the gauge's own frame; 0 adds nothing
	AlphaSigma gauge.Expansion `json:"alpha_sigma,omitempty"`
}

// What stops a reading for its temperature, and what leaves it in doubt.
const (
	codeTooWarm      Code = "temp-far"
	codeNoPartTemp   Code = "temp-part"
	codeNoGaugeTemp  Code = "temp-gauge"
	codeNoRingTemp   Code = "temp-ring"
	codeNoRepeat     Code = "u-repeat"
	codeNoCertify    Code = "u-ring"
	codeUnknownGauge Code = "u-gauge"
)

func init() {
	AddWords(map[Code]string{
		codeTooWarm:      "part, gauge or standard is farther from 20 °C, or from the setting, than the gauge's window allows, let them settle and measure again",
		codeNoPartTemp:   "the temperature of the part is not known, so the size is not referred to 20 °C, let the gauge's message bring it",
		codeNoGaugeTemp:  "the temperature of the gauge, now or at its setting, is not known, so the size is not referred to 20 °C, let messages and settings bring it",
		codeNoRingTemp:   "the temperature of the standard is not known, so the size is not referred to 20 °C, give it with the setting",
		codeNoRepeat:     "the gauge's repeatability is not known, add it from its study",
		codeNoCertify:    "it is not known on which certified standard the gauge was set, record its setting",
		codeUnknownGauge: "the gauge has neither repeatability nor standards, add them to it",
	})
}

// Size returns the size that a reading says, referred to 20 °C where that is
// configured.
func (r Reading) Size() length.Length {
	if r.Worth == nil {
		return r.Value
	}
	return r.Value + r.Worth.Correction
}

// Corrected reports whether a reading was referred to 20 °C.
func (w *Worth) Corrected() bool {
	return w != nil && (w.Correction != 0 || w.Thermal != 0) && w.Uncorrected == ""
}

// weigh works out what a reading is worth, or says why it steers nothing.
func (d *decision) weigh(r *Reading, l *Loop, c int) Code {
	ch := &l.Characteristics[c]
	w := &Worth{Thread: ch.Thread}
	t := d.set().trust(r.Gauge)
	if t != nil && t.Thermal != nil {
		if code := d.refer(w, r, t, ch); code != "" {
			return code
		}
	}
	d.budget(w, *r, t, d.resolution(*r, l, c))
	w.Decision = gauge.InDoubt
	if w.Open == "" {
		w.Decision = gauge.Decide(r.Value+w.Correction, w.U, ch.Limits)
	}
	r.Worth = w
	return ""
}

// refer works out the size at 20 °C. The standard is as warm as the message says,
// else as it was when the gauge was set on it.
func (d *decision) refer(w *Worth, r *Reading, t *Trust, ch *Characteristic) Code {
	var book GaugeTrust
	if g := d.s.known(r.Gauge); g != nil {
		book = g.Trust
	}
	th := gauge.Thermal{
		Part:  gauge.Body{Alpha: ch.Alpha, AlphaSigma: ch.AlphaSigma, Temp: r.Temp, TempSigma: t.Thermal.Sigma},
		SetAt: book.Temp, Window: t.Thermal.Window,
	}
	if t.Thermal.Alpha != 0 {
		th.Gauge = gauge.Body{Alpha: t.Thermal.Alpha, AlphaSigma: t.Thermal.AlphaSigma, Temp: r.TempGauge, TempSigma: t.Thermal.Sigma}
	}
	ring := t.ring(book.Standard)
	if ring != nil {
		th.Standard = gauge.Body{Alpha: ring.Alpha, AlphaSigma: ring.AlphaSigma, Temp: book.Temp, TempSigma: t.Thermal.Sigma}
		if r.TempStandard != nil {
			th.Standard.Temp = r.TempStandard
		}
	}
	out, err := gauge.Correct(r.Value, th)
	switch {
	case err == nil:
		w.Correction, w.Thermal = out.Correction, out.Sigma
		return ""
	case errors.Is(err, gauge.ErrTemperature):
		return codeTooWarm
	case r.Temp == nil:
		w.Uncorrected = codeNoPartTemp
	case th.Standard.Temp == nil:
		w.Uncorrected = codeNoRingTemp
	default:
		w.Uncorrected = codeNoGaugeTemp
	}
	if t.Thermal.Required {
		return w.Uncorrected
	}
	w.Thermal = gauge.Unreferred(r.Value, th)
	return ""
}

// budget works out the expanded uncertainty, or says what is missing for it.
func (d *decision) budget(w *Worth, r Reading, t *Trust, resolution length.Length) {
	if t == nil {
		w.Open = codeUnknownGauge
		return
	}
	var book GaugeTrust
	if g := d.s.known(r.Gauge); g != nil {
		book = g.Trust
	}
	certificate, known := t.certificate(book.Standard)
	switch {
	case t.Repeat == 0:
		w.Open = codeNoRepeat
	case !known:
		w.Open = codeNoCertify
	default:
		w.U = gauge.Budget{
			Certificate: certificate, Repeatability: t.Repeat, Resolution: resolution, Linearity: t.Linearity,
			Temperature: w.Thermal, Bias: book.Left,
		}.Expanded()
	}
}

// certificate returns the expanded uncertainty of the standard that the gauge was
// set on; where no setting is on record, the largest of those it may be set on.
func (t *Trust) certificate(standard string) (u length.Length, known bool) {
	for _, r := range t.Standards {
		if r.Name != standard && standard != "" {
			continue
		}
		if r.Uncertainty == 0 {
			return 0, false
		}
		u, known = max(u, r.Uncertainty), true
	}
	return u, known
}

// ring returns the standard of that name, nil when it is none of the gauge's.
func (t *Trust) ring(name string) *Ring {
	i := slices.IndexFunc(t.Standards, func(r Ring) bool { return r.Name == name })
	if i < 0 {
		return nil
	}
	return &t.Standards[i]
}

// soundThermal reports whether no number of a gauge's trust can overflow.
func (t *Trust) soundThermal() bool {
	if t.Linearity < 0 || t.Linearity > length.Max || t.Contacts < 0 {
		return false
	}
	for _, r := range t.Standards {
		if r.Uncertainty < 0 || r.Uncertainty > length.Max || !soundAlpha(r.Alpha, r.AlphaSigma) {
			return false
		}
	}
	th := t.Thermal
	return th == nil || soundAlpha(th.Alpha, th.AlphaSigma) && th.Window >= 0 && th.Window <= maxKelvin && th.Sigma >= 0 && th.Sigma <= maxKelvin
}

const (
	maxAlpha  gauge.Expansion = 1_000_000 // 10⁻³/K, more than any solid
	maxKelvin gauge.Celsius   = 1_000_000
)

func soundAlpha(a, sigma gauge.Expansion) bool {
	return a >= 0 && a <= maxAlpha && sigma >= 0 && sigma <= maxAlpha
}
