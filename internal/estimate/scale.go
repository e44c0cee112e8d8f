package estimate

import "math"

// How the scatter is found when the first guess of it was far off, or when it changes.
const (
	suspectsInARow       = 5    // suspect parts in a row that do not agree: the scatter has grown
	stepsInARow          = 3    // steps in a row: likewise
	readingsBetweenSteps = 8    // steps further apart than that are not in a row
	readingsToKeep       = 40   // before so many readings a growth of the scatter starts all over
	fitSpan              = 12   // readings that Fit looks back over
	poorFit              = 0.15 // below it the scatter is far smaller than was thought
)

// variance is the estimate of σ², µm².
func (e *Estimator) variance() float64 {
	sum, weight := 0.0, 0.0
	for i := range e.Models {
		w := e.Models[i].weight()
		sum += w / e.Models[i].B
		weight += w
	}
	return math.Max(weight/sum/e.A, leastVariance)
}

// rescale says that σ² is ratio times what was thought, and keeps every covariance as it is in µm².
func (e *Estimator) rescale(ratio float64) {
	ratio = math.Max(1e-6, math.Min(ratio, 1e6))
	if ratio > 1 && e.Readings < readingsToKeep {
		// What the first guess of the scatter made of everything else is worth nothing either.
		s := &e.Settings
		s.Noise = math.Min(math.Sqrt(ratio*e.variance()), largest)
		s.SetupSigma = math.Max(s.SetupSigma, 4*s.Noise)
		e.begin()
		return
	}
	for i := range e.Models {
		m := &e.Models[i]
		was := m.B
		m.B = math.Max(priorA*leastVariance, math.Min(m.B/e.A*priorA*ratio, largest*largest))
		back := was / e.A * priorA / m.B
		for k := range m.P {
			m.P[k] *= back
		}
	}
	e.A = priorA
	e.Fit, e.FitN = 1, 0
}

// checkFit notices that innovations are far smaller than the scatter would have them.
func (e *Estimator) checkFit(square float64) {
	e.FitN = min(e.FitN+1, fitSpan)
	e.Fit += (square - e.Fit) / float64(e.FitN)
	if e.FitN == fitSpan && e.Fit < poorFit {
		e.rescale(e.Fit)
	}
}
