package lifedata_test

import (
	"fmt"
	"log"
	"math"

	"benchlore/reports/lifedata"
)

// Weeks in remission of eleven patients with leukaemia who went on with
// chemotherapy; four were still well when last seen. Data: Miller (1997),
// Survival Analysis, p. 49.
func ExampleKaplanMeier() {
	obs := exact(9, 13, 18, 23, 31, 34, 48)
	for _, weeks := range []float64{13, 28, 45, 161} {
		obs = append(obs, lifedata.Obs{Lower: weeks, Upper: math.Inf(1), Count: 1})
	}
	points, err := lifedata.KaplanMeier(obs, 0.95)
	if err != nil {
		log.Fatal(err)
	}
	for _, p := range points {
		fmt.Printf("week %2.0f: %2.0f at risk, %.3f (%.3f to %.3f)\n", p.Time, p.AtRisk, p.Survival, p.Low, p.High)
	}
	// Output:
	// week  9: 11 at risk, 0.909 (0.508 to 0.987)
	// week 13: 10 at risk, 0.818 (0.447 to 0.951)
	// week 18:  8 at risk, 0.716 (0.350 to 0.899)
	// week 23:  7 at risk, 0.614 (0.266 to 0.835)
	// week 31:  5 at risk, 0.491 (0.167 to 0.753)
	// week 34:  4 at risk, 0.368 (0.093 to 0.657)
	// week 48:  2 at risk, 0.184 (0.012 to 0.525)
}

// Turbine wheels, each looked at once, in hundreds of hours: cracked by then
// (left-censored) or not (right-censored). Data: Nelson (1982), Applied Life
// Data Analysis, p. 409.
func ExampleTurnbull() {
	var obs []lifedata.Obs
	for _, w := range []struct{ age, cracked, sound float64 }{
		{4, 0, 39},
		{10, 4, 49},
		{14, 2, 31},
		{18, 7, 66},
		{22, 5, 25},
		{26, 9, 30},
		{30, 9, 33},
		{34, 6, 7},
		{38, 22, 12},
		{42, 21, 19},
		{46, 21, 15},
	} {
		obs = append(obs,
			lifedata.Obs{Upper: w.age, Count: w.cracked},
			lifedata.Obs{Lower: w.age, Upper: math.Inf(1), Count: w.sound})
	}
	curve, err := lifedata.Turnbull(obs)
	if err != nil {
		log.Fatal(err)
	}
	for _, s := range curve.Steps {
		if s.Mass > 0 {
			fmt.Printf("%2.0f to %2.0f: %.4f\n", s.Lower, s.Upper, s.Mass)
		}
	}
	// Output:
	// 4 to 10: 0.0698
	// 14 to 18: 0.0261
	// 18 to 22: 0.0708
	// 22 to 26: 0.0556
	// 30 to 34: 0.2393
	// 34 to 38: 0.1195
	// 42 to 46: 0.0023
	// 46 to +Inf: 0.4167
}

// Ten of twenty parts failed in a test of 500 hours. Data and estimates:
// NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3.
func ExampleFitWeibull() {
	obs := append(exact(54, 187, 216, 240, 244, 335, 361, 373, 375, 386),
		lifedata.Obs{Lower: 500, Upper: math.Inf(1), Count: 10})
	w, err := lifedata.FitWeibull(obs, lifedata.WeibullOptions{Level: 0.95})
	if err != nil {
		log.Fatal(err)
	}
	b10 := w.Quantile(0.1)
	fmt.Printf("shape %.4f (%.2f to %.2f), scale %.2f hours\n", w.Shape, w.ShapeLimits.Low, w.ShapeLimits.High, w.Scale)
	fmt.Printf("a tenth has failed by %.0f hours (%.0f to %.0f)\n", b10.Value, b10.Low, b10.High)
	fmt.Printf("p = %.3f for a constant rate: %s\n", w.PShape1, w.Verdict)
	// Output:
	// shape 1.7208 (0.91 to 2.89), scale 606.53 hours
	// a tenth has failed by 164 hours (84 to 321)
	// p = 0.092 for a constant rate: too few to tell
}

// Times between 200 decays of americium, known by classes only, in units of
// 1/5000 second. Data: Berkson (1966); Meeker and Escobar (1998), table 7.1,
// where the mean is 572.3 with likelihood limits 498 and 662; from memory.
func ExampleEstimateRate() {
	classes := []float64{0, 100, 300, 500, 700, 1000, 2000, 4000}
	var obs []lifedata.Obs
	for i, count := range []float64{41, 44, 24, 32, 29, 21, 9} {
		obs = append(obs, lifedata.Obs{Lower: classes[i], Upper: classes[i+1], Count: count})
	}
	r, err := lifedata.EstimateRate(obs, 0.95)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("rate %.6f (%.6f to %.6f), limits: %s\n", r.PerUnit, r.Low, r.High, r.Method)
	fmt.Printf("mean %.1f (%.0f to %.0f)\n", 1/r.PerUnit, 1/r.High, 1/r.Low)
	// Output:
	// rate 0.001747 (0.001510 to 0.002010), limits: profile
	// mean 572.3 (498 to 662)
}

// Four defective of twenty. Data and the exact limits, 0.071354 and 0.401029:
// NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.2.
func ExampleClopperPearson() {
	exact := lifedata.ClopperPearson(4, 20, 0.9)
	score := lifedata.Wilson(4, 20, 0.9)
	fmt.Printf("exact: %.4f to %.4f\n", exact.Low, exact.High)
	fmt.Printf("score: %.4f to %.4f\n", score.Low, score.High)
	// Output:
	// exact: 0.0714 to 0.4010
	// score: 0.0931 to 0.3784
}

// Rat pups that survived, of those born, in sixteen litters whose mothers had
// been treated. Pups of a litter go together: the 145 tell no more than 37
// independent ones would. Data: Weil (1970), table 1; the method of Rao and
// Scott (1992), Biometrics 48, 577–585, gives a design effect of 3.952861.
func ExampleEstimateRatio() {
	born := []float64{12, 11, 10, 9, 11, 10, 10, 9, 9, 5, 9, 7, 10, 6, 10, 7}
	var litters []lifedata.Cluster
	for i, survived := range []float64{12, 11, 10, 9, 10, 9, 9, 8, 8, 4, 7, 4, 5, 3, 3, 0} {
		litters = append(litters, lifedata.Cluster{Numerator: survived, Denominator: born[i]})
	}
	e, err := lifedata.EstimateRatio(lifedata.KindProportion, litters, 0.95)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%.0f of %.0f: %.3f (%.3f to %.3f)\n", e.Numerator, e.Denominator, e.Ratio, e.TransformedT.Low, e.TransformedT.High)
	fmt.Printf("design effect %.4f, as if %.0f\n", e.DesignEffect, e.Effective)
	// Output:
	// 112 of 145: 0.772 (0.595 to 0.887)
	// design effect 3.9529, as if 37
}

// Weeks in remission with and without further chemotherapy. Data: Miller
// (1997), p. 49; R's survdiff prints a chi-square of 3.4, p = 0.07.
func ExampleLogRank() {
	with := exact(9, 13, 18, 23, 31, 34, 48)
	for _, weeks := range []float64{13, 28, 45, 161} {
		with = append(with, lifedata.Obs{Lower: weeks, Upper: math.Inf(1), Count: 1})
	}
	without := append(exact(5, 5, 8, 8, 12, 23, 27, 30, 33, 43, 45),
		lifedata.Obs{Lower: 16, Upper: math.Inf(1), Count: 1})
	r, err := lifedata.LogRank([]lifedata.Group{{Name: "with", Obs: with}, {Name: "without", Obs: without}})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("chi-square %.1f, p = %.2f\n", r.ChiSquare, r.P)
	// Output:
	// chi-square 3.4, p = 0.07
}

// Three systems, observed for different times, and when each was repaired.
// Data and values: Meeker and Escobar (1998), example 16.4; from memory.
func ExampleMeanCumulative() {
	points, err := lifedata.MeanCumulative([]lifedata.History{
		{Unit: "1", Events: []float64{5, 8}, End: 12},
		{Unit: "2", End: 16},
		{Unit: "3", Events: []float64{1, 8, 16}, End: 20},
	}, 0.95)
	if err != nil {
		log.Fatal(err)
	}
	for _, p := range points {
		fmt.Printf("by %2.0f: %.3f repairs a system, variance %.4f\n", p.Time, p.Mean, p.StdErr*p.StdErr)
	}
	// Output:
	// by  1: 0.333 repairs a system, variance 0.0741
	// by  5: 0.667 repairs a system, variance 0.0741
	// by  8: 1.333 repairs a system, variance 0.2963
	// by 16: 1.833 repairs a system, variance 0.7546
}

// A part that wears out, whose failure costs five times what replacing it in
// time does, is replaced at about half its scale. Barlow and Proschan (1965),
// Mathematical Theory of Reliability, chapter 4; the figures from memory.
func ExampleNewAgePolicy() {
	p, err := lifedata.NewAgePolicy(2, 1, 1, 5)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("replace at %.6f: costs %.5f per unit of time, %.0f%% of running to failure\n", p.Age, p.CostRate, 100*p.Ratio)
	// Output:
	// replace at 0.510655: costs 4.08524 per unit of time, 72% of running to failure
}

// exact returns failures at known ages.
func exact(ages ...float64) []lifedata.Obs {
	var obs []lifedata.Obs
	for _, age := range ages {
		obs = append(obs, lifedata.Obs{Lower: age, Upper: age, Count: 1})
	}
	return obs
}
