package lifedata

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// GammaPoissonFit is what [GammaPoisson] returns.
type GammaPoissonFit struct {
	Level float64
	// Overdispersion is Σ((y − E·m)² − y) with m the pooled rate: above 0
	// where the counts vary more than chance makes them.
	Overdispersion float64
	Pooled         float64 // Σy/ΣE
	PoissonLogLik  float64 // with all rates equal to Pooled

	// Degenerate: the counts do not vary more than by chance, the prior is a
	// single rate, Pooled, and what follows is zero.
	Degenerate bool
	Shape      float64 // of the Gamma prior of the rates
	Rate       float64 // of the prior, in units of exposure
	LogLik     float64 // of the counts, all constants included
	Families   []PosteriorRate
}

// PosteriorRate is the rate of one family given its data and the prior.
type PosteriorRate struct {
	Mean        float64
	Low, High   float64 // equal-tailed interval
	Shrinkage   float64 // weight of the prior mean in Mean
	ProbHighest float64 // probability that this rate is the highest
}

// GammaPoisson estimates the rates of several families together. A count y
// over exposure E is Poisson with mean E·λ, and the rates λ are a sample from
// a Gamma distribution of shape a and rate b, found by maximum likelihood from
// the counts (empirical Bayes). Then
//
//	λ | y ~ Gamma(a+y, b+E)    Mean = (a+y)/(b+E)    Shrinkage = b/(b+E)
//
// and ProbHighest is ∫ f_i(λ) Π_{j≠i} F_j(λ) dλ.
//
// Where Overdispersion ≤ 0 the likelihood is highest at the single rate.
//
// It returns an error for a negative count or an exposure that is not a
// finite number above zero, and refuses fewer than two families or no
// failures.
//
// Source: Gaver and O'Muircheartaigh (1987), Technometrics 29, 1–15.
func GammaPoisson(families []Count, level float64) (GammaPoissonFit, error) {
	if err := checkLevel(level); err != nil {
		return GammaPoissonFit{}, err
	}
	var events, total float64
	counts := make([]gammaLikelihood, len(families))
	for i, c := range families {
		if err := checkCount(fmt.Sprintf("the number of failures of family %d", i+1), c.Events); err != nil {
			return GammaPoissonFit{}, err
		}
		if err := checkPositive(fmt.Sprintf("the exposure of family %d", i+1), c.Exposure); err != nil {
			return GammaPoissonFit{}, err
		}
		counts[i] = gammaLikelihood{float64(c.Events), c.Exposure}
		events += float64(c.Events)
		total += c.Exposure
	}
	if len(families) < 2 {
		return GammaPoissonFit{}, refuse("a single family has no others to be compared with")
	}
	if events == 0 {
		return GammaPoissonFit{}, refuse("nothing failed in any family")
	}
	f := GammaPoissonFit{Level: level, Pooled: events / total}
	for _, c := range counts {
		mean := c.exposure * f.Pooled
		f.Overdispersion += (c.events-mean)*(c.events-mean) - c.events
		f.PoissonLogLik += c.events*math.Log(mean) - mean - lgamma(c.events+1)
	}
	if f.Overdispersion <= 0 {
		f.Degenerate = true
		return f, nil
	}
	at := func(mu, s float64) point { return gammaMarginal(counts, mu, s) }
	best, ok := maximize(at, at(math.Log(f.Pooled), 0), true, true, 40)
	if !ok {
		return GammaPoissonFit{}, refuse("the spread of the rates between families cannot be found")
	}
	f.Shape = math.Exp(best.s)
	f.Rate = f.Shape / math.Exp(best.mu)
	f.LogLik = best.ll
	for _, c := range counts {
		f.LogLik += c.events*math.Log(c.exposure) - lgamma(c.events+1)
	}
	tail := (1 - level) / 2
	posteriors := make([]gammaLikelihood, len(counts))
	for i, c := range counts {
		a, b := f.Shape+c.events, f.Rate+c.exposure
		posteriors[i] = gammaLikelihood{a, b}
		f.Families = append(f.Families, PosteriorRate{
			Mean:      a / b,
			Low:       mathext.GammaIncRegInv(a, tail) / b,
			High:      mathext.GammaIncRegCompInv(a, tail) / b,
			Shrinkage: f.Rate / b,
		})
	}
	for i, p := range highest(posteriors) {
		f.Families[i].ProbHighest = p
	}
	return f, nil
}

// gammaLikelihood is events·ln λ − exposure·λ: the likelihood of a count, or,
// of a Gamma distribution, its shape and rate.
type gammaLikelihood struct {
	events, exposure float64
}

// gammaMarginal returns the log likelihood of counts whose rates are a sample
// from a Gamma distribution of mean exp(mu) and shape exp(s), less the terms
// without either, and its derivatives.
func gammaMarginal(counts []gammaLikelihood, mu, s float64) point {
	a := math.Exp(s)
	b := a / math.Exp(mu)
	p := point{mu: mu, s: s}
	var la, lb, laa, lab, lbb float64
	for _, c := range counts {
		up := b + c.exposure
		shrunk := -math.Log1p(c.exposure / b) // ln(b/up)
		p.ll += lgamma(a+c.events) - lgamma(a) + a*shrunk - c.events*math.Log(up)
		la += mathext.Digamma(a+c.events) - mathext.Digamma(a) + shrunk
		lb += a/b - (a+c.events)/up
		laa += mathext.Zeta(2, a+c.events) - mathext.Zeta(2, a) // trigamma
		lab += 1/b - 1/up
		lbb += -a/b/b + (a+c.events)/up/up
	}
	p.gm = -b * lb
	p.gs = a*la + b*lb
	p.imm = -(b*b*lbb + b*lb)
	p.ims = b * (a*lab + b*lbb + lb)
	p.iss = -(a*a*laa + a*la + 2*a*b*lab + b*b*lbb + b*lb)
	if bad(p.ll) {
		p.ll = math.Inf(-1)
	}
	return p
}

func lgamma(x float64) float64 {
	l, _ := math.Lgamma(x)
	return l
}

// highest returns for each of independent Gamma variables the probability
// that it is the largest, by the trapezoidal rule in ln λ, which converges
// faster than any power of the step for integrands that fade out at both ends.
func highest(posteriors []gammaLikelihood) []float64 {
	lo, hi, step := math.Inf(1), math.Inf(-1), 0.1
	for _, g := range posteriors {
		hi = math.Max(hi, math.Log((g.events+40+9*math.Sqrt(g.events))/g.exposure))
		lo = math.Min(lo, math.Log(1e-8*g.events/(1+g.events)/g.exposure))
		step = math.Min(step, 0.3/math.Sqrt(g.events+1))
	}
	n := int((hi-lo)/step) + 1
	probs := make([]float64, len(posteriors))
	below := make([]float64, len(posteriors))
	for m := range n {
		x := lo + float64(m)*step
		rate := math.Exp(x)
		product := 1.0
		for j, g := range posteriors {
			below[j] = mathext.GammaIncReg(g.events, rate*g.exposure)
			product *= below[j]
		}
		for i, g := range posteriors {
			if product > 0 {
				density := math.Exp(g.events*(x+math.Log(g.exposure)) - rate*g.exposure - lgamma(g.events))
				probs[i] += step * density * product / below[i]
			}
		}
	}
	return probs
}
