package synth

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"benchlore/reports/lifedata"
	"benchlore/reports/reliability"
	"benchlore/schema"
	"benchlore/schema/unit"
)

func generate(t interface {
	Helper()
	Fatal(...any)
}, preset string, units int, seed uint64, change func(*Options)) *Ledger {
	t.Helper()
	o, err := Preset(preset, units, seed)
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(&o)
	}
	l, err := Generate(o)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// TestMain keeps the properties here to fewer draws than usual: each is a whole
// ledger. A number given on the command line stands.
func TestMain(m *testing.M) {
	flag.Parse()
	given := false
	flag.Visit(func(f *flag.Flag) { given = given || f.Name == "rapid.checks" })
	if !given {
		if err := flag.Set("rapid.checks", "30"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}

// drawLedger draws a preset with all its habits shaken up.
func drawLedger(t *rapid.T) *Ledger {
	share := func(what string) float64 { return rapid.SampledFrom([]float64{0, 0.1, 0.5, 1}).Draw(t, what) }
	return generate(t, rapid.SampledFrom(Presets()).Draw(t, "preset"), 3, rapid.Uint64().Draw(t, "seed"), func(o *Options) {
		if rapid.Bool().Draw(t, "as it is") {
			return
		}
		h := &o.Habits
		h.Tested, h.Kits, h.ReplaceDegraded = share("tested"), share("kits"), share("replace degraded")
		h.Service = rapid.SampledFrom([]float64{0, 0.2, 5}).Draw(t, "service")
		h.SecondStay, h.SecondAfter = share("second stay"), Years{From: 3, To: 10}
		h.Return, h.Notice = share("return"), rapid.SampledFrom([]float64{0, 0.3}).Draw(t, "notice")
		h.Silent, h.Followups = share("silent"), rapid.SampledFrom([]float64{0, 2}).Draw(t, "followups")
		h.KnownBuild, h.BuildSpan = share("known build"), rapid.SampledFrom([]float64{0, 0.1, 1, 5}).Draw(t, "build span")
		h.LastKnown, h.LastKnownSpan = share("last known"), rapid.SampledFrom([]float64{0, 0.1, 1, 4}).Draw(t, "last known span")
		h.UnknownOrigin = share("unknown origin")
		h.TestedFailed, h.Because, h.Noticed = share("tested failed"), rapid.Bool().Draw(t, "because"), rapid.Bool().Draw(t, "noticed")
		o.External = External{PerYear: share("external"), Parts: 2}
		o.Open = rapid.IntRange(0, o.Units).Draw(t, "open")
		o.Records = rapid.SampledFrom([]int{0, 25}).Draw(t, "records")
		for i := range o.Families {
			f := &o.Families[i]
			f.Cascade, f.Degrades = share("cascade"), share("degrades")
			f.Hidden = rapid.Bool().Draw(t, "hidden")
			f.Repair = rapid.SampledFrom([]schema.Action{schema.Replaced, schema.Cleaned}).Draw(t, "repair")
			f.Spread = Spread{rapid.SampledFrom([]SpreadKind{GammaSpread, LognormalSpread}).Draw(t, "spread"), share("variance")}
		}
	})
}

func TestSameSeedSameLedger(t *testing.T) {
	for _, preset := range Presets() {
		a, b := generate(t, preset, 4, 7, nil), generate(t, preset, 4, 7, nil)
		other := generate(t, preset, 4, 8, nil)
		for i := 3; i >= 0; i-- { // in another order than the other one
			b.Unit(i)
		}
		for i := range 4 {
			if !reflect.DeepEqual(a.Unit(i), b.Unit(i)) {
				t.Errorf("%s: unit %d is another one with the same seed", preset, i)
			}
			if reflect.DeepEqual(a.Unit(i).Lives, other.Unit(i).Lives) {
				t.Errorf("%s: unit %d has the same lives with another seed", preset, i)
			}
		}
		if !reflect.DeepEqual(a.Truth(), b.Truth()) || !reflect.DeepEqual(a.Lots, b.Lots) {
			t.Errorf("%s: the ledger is another one with the same seed", preset)
		}
	}
}

// Everything made is clean: files by themselves, written out and read back,
// and units as a whole. Open units may wait for their release.
func TestUnitsAreClean(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := drawLedger(t)
		for i := range l.Options.Units {
			u := l.Unit(i)
			src := l.Source(u)
			for k := range src.Records {
				f := &src.Records[k]
				f.Data = schema.Encode(f.Record)
				back, problems := schema.DecodeRecord(f.Path, f.Data)
				if len(problems) > 0 {
					t.Fatalf("%s: %v\n%s", f.Path, problems[0], f.Data)
				}
				if !reflect.DeepEqual(back, f.Record) {
					t.Fatalf("%s is read back as something else:\n%s", f.Path, f.Data)
				}
			}
			whole := unit.Build(src, l.Context())
			if len(whole.Problems) > 0 {
				t.Fatalf("%s: %v", u.Name, whole.Problems[0].Drawing())
			}
			if open := i >= l.Options.Units-l.Options.Open; open != (whole.OpenJob() != nil) {
				t.Fatalf("%s: open is %v, want %v", u.Name, whole.OpenJob() != nil, open)
			}
			if n := len(whole.Files); n < l.Options.Records {
				t.Fatalf("%s has %d records, want at least %d", u.Name, n, l.Options.Records)
			}
		}
	})
}

// What the records are read to say is true: every failure lies within its
// interval, every part called good until some day lived longer.
func TestObservationsHoldTheTruth(t *testing.T) {
	events, censored, restarts := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		l := drawLedger(t)
		for i := range l.Options.Units {
			u := l.Unit(i)
			obs := reliability.Observe([]*unit.Unit{unit.Build(l.Source(u), l.Context())}, reliability.ObserveOptions{AsOf: l.Options.End, Families: l.Families})
			lives := map[string][]*Life{}
			for _, life := range u.Lives {
				if life.Ref != "" {
					at := life.Section + " " + string(life.Ref)
					lives[at] = append(lives[at], life)
				}
			}
			used := map[string]int{}
			for _, o := range obs.All {
				if o.Pool || o.Restart < 0 {
					continue // of a part that had left before the first stay nobody made a life
				}
				at := o.Section + " " + o.Ref
				if used[at] >= len(lives[at]) {
					t.Fatalf("%s %s: more observations than lives", u.Name, at)
				}
				life := lives[at][used[at]]
				used[at]++
				if life.Restart != o.Restart || life.Family != o.Family || life.Lot != o.Lot {
					t.Fatalf("%s %s: observation %+v of life %+v", u.Name, at, o, *life)
				}
				if o.Kind == reliability.ObservedEvent && life.Found.Never() {
					t.Fatalf("%s %s: read as failed, and nobody found it", u.Name, at)
				}
				if o.UnknownOrigin {
					continue // its times do not begin when it was fitted
				}
				age := float64(life.Failed-life.Installed) / 365.25
				lower, upper := o.Lower-o.Entry, o.Upper-o.Entry
				tol := 1e-9 + o.Half // the day it was built lies within half its span of the middle
				switch o.Kind {
				case reliability.ObservedEvent:
					events++
					if !(age > lower-tol && age <= upper+tol) {
						t.Fatalf("%s %s: failed at %g years, read as (%g, %g]: %+v of %+v", u.Name, at, age, lower, upper, o, *life)
					}
					if life.CausedBy != "" {
						t.Fatalf("%s %s: taken down by %s and read as its own failure", u.Name, at, life.CausedBy)
					}
				case reliability.ObservedCensored:
					censored++
					if !(age > lower-tol) {
						t.Fatalf("%s %s: failed at %g years, read as good at %g: %+v of %+v", u.Name, at, age, lower, o, *life)
					}
				}
				if o.Restart > 0 {
					restarts++
				}
			}
			for at, all := range lives {
				if used[at] != len(all) {
					t.Fatalf("%s %s: %d observations of %d lives", u.Name, at, used[at], len(all))
				}
			}
		}
	})
	if events == 0 || censored == 0 || restarts == 0 {
		t.Errorf("%d events, %d censored, %d restarts: nothing was tried", events, censored, restarts)
	}
}

// The lives are drawn from the truth: failures among many equal parts agree
// with the Weibull distribution, and factors and bad lots with theirs. Five
// standard errors; the seed is fixed.
func TestLivesFollowTheTruth(t *testing.T) {
	for _, preset := range []string{"independent", "wearing", "lots"} {
		l := generate(t, preset, 100, 1, nil)
		for _, f := range l.Options.Families {
			var n, n20, bad, badHazard, good, goodHazard float64
			for i := range l.Options.Units {
				for _, life := range l.Unit(i).Lives {
					if life.Family != f.Name {
						continue
					}
					hazard := math.Pow(life.Years()/f.Scale, f.Shape) // exponential of mean 1 / factor
					switch {
					case life.Lot == "":
						n++
						if life.Years() <= 20 {
							n20++
						}
					case life.BadLot:
						bad++
						badHazard += hazard
					default:
						good++
						goodHazard += hazard
					}
				}
			}
			want := 1 - math.Exp(-math.Pow(20/f.Scale, f.Shape))
			if se := math.Sqrt(want * (1 - want) / n); !(math.Abs(n20/n-want) <= 5*se) {
				t.Errorf("%s, %s: %g of %g failed within 20 years, want %g", preset, f.Name, n20/n, n, want)
			}
			for _, k := range []struct{ n, sum, mean float64 }{{good, goodHazard, 1}, {bad, badHazard, 1 / f.BadLots.Times}} {
				if k.n > 0 && !(math.Abs(k.sum/k.n-k.mean) <= 5*k.mean/math.Sqrt(k.n)) {
					t.Errorf("%s, %s: mean hazard of %g lives from lots is %g, want %g", preset, f.Name, k.n, k.sum/k.n, k.mean)
				}
			}
		}
	}
}

// Factors have mean 1 and the variance asked for. Five standard errors of the
// mean; the variance within a tenth, or a quarter where the fourth moment of
// the lognormal makes it rough.
func TestFactorsHaveTheSpread(t *testing.T) {
	const n = 200000
	for _, c := range []struct {
		spread Spread
		tol    float64
	}{{Spread{GammaSpread, 0.4}, 0.1}, {Spread{GammaSpread, 1.5}, 0.1}, {Spread{LognormalSpread, 0.5}, 0.1}, {Spread{LognormalSpread, 1}, 0.25}, {Spread{}, 0}} {
		rng := rand.New(rand.NewPCG(1, 2))
		var sum, squares float64
		for range n {
			z := c.spread.factor(rng)
			sum += z
			squares += z * z
		}
		mean, v := sum/n, c.spread.Variance
		if !(math.Abs(mean-1) <= 5*math.Sqrt(v/n)) || !(math.Abs(squares/n-mean*mean-v) <= c.tol*v) {
			t.Errorf("%+v: mean %g, variance %g", c.spread, mean, squares/n-mean*mean)
		}
	}
}

func TestPresetsShowTheirHabits(t *testing.T) {
	count := func(preset string, is func(*reliability.Observation) bool) int {
		l := generate(t, preset, 30, 3, nil)
		var units []*unit.Unit
		for i := range l.Options.Units {
			units = append(units, l.Build(i))
		}
		n := 0
		for _, o := range reliability.Observe(units, reliability.ObserveOptions{AsOf: l.Options.End, Families: l.Families}).All {
			if is(&o) {
				n += o.Count
			}
		}
		return n
	}
	untested := func(o *reliability.Observation) bool { return o.Reason == reliability.LeftOutUntested }
	unlooked := func(o *reliability.Observation) bool { return o.Origin == schema.OriginOriginal && !o.Handled }
	second := func(o *reliability.Observation) bool { return o.Secondary || o.External }
	for _, c := range []struct {
		preset string
		what   string
		is     func(*reliability.Observation) bool
		some   bool
	}{
		{"independent", "untested", untested, false},
		{"independent", "not looked at", unlooked, false},
		{"independent", "taken down", second, false},
		{"untested", "untested", untested, true},
		{"silent", "not looked at", unlooked, true},
		{"bench", "taken down", second, true},
		{"bench", "of unknown age", func(o *reliability.Observation) bool { return o.UnknownOrigin }, true},
		{"bench", "from a kit", func(o *reliability.Observation) bool { return o.Kit != "" }, true},
		{"bench", "degraded", func(o *reliability.Observation) bool { return o.Found == schema.Degraded }, true},
		{"bench", "failed of a pool", func(o *reliability.Observation) bool { return o.Pool && o.Failed }, true},
	} {
		if n := count(c.preset, c.is); (n > 0) != c.some {
			t.Errorf("%s: %d parts %s", c.preset, n, c.what)
		}
	}
}

func TestOptionsThatMakeNoSense(t *testing.T) {
	if _, err := Preset("tidy", 1, 1); err == nil {
		t.Error("there is a preset tidy")
	}
	for name, change := range map[string]func(*Options){
		"share above 1":     func(o *Options) { o.Habits.Tested = 1.5 },
		"share not known":   func(o *Options) { o.Habits.Return = math.NaN() },
		"no model":          func(o *Options) { o.Models = nil },
		"model twice":       func(o *Options) { o.Models = append(o.Models, o.Models[0]) },
		"more open":         func(o *Options) { o.Open = 2 },
		"built after":       func(o *Options) { o.Built.To = 2010 },
		"built backwards":   func(o *Options) { o.Built.From = 1990 },
		"too short":         func(o *Options) { o.End = o.Opened },
		"scale 0":           func(o *Options) { o.Families[0].Scale = 0 },
		"spread of no kind": func(o *Options) { o.Families[0].Spread.Kind = "wide" },
		"repair":            func(o *Options) { o.Families[0].Repair = schema.Left },
		"mode":              func(o *Options) { o.Families[0].Mode = "tired" },
		"family twice":      func(o *Options) { o.Families[1] = o.Families[0] },
	} {
		o, err := Preset("independent", 1, 1)
		if err != nil {
			t.Fatal(err)
		}
		change(&o)
		if _, err := Generate(o); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func BenchmarkGenerate(b *testing.B) {
	for _, preset := range []string{"independent", "bench"} {
		for _, what := range []string{"units", "built"} {
			b.Run(fmt.Sprintf("%s/%s", preset, what), func(b *testing.B) {
				l := generate(b, preset, math.MaxInt32, 1, nil)
				for i := range b.N {
					if what == "units" {
						l.Unit(i)
					} else {
						l.Build(i)
					}
				}
			})
		}
	}
}

// Where stays have nothing to do with failures and everything is tested, the
// records hold what the likelihoods of package lifedata assume: the truth comes
// out again, within five standard errors. The seeds are fixed.
func TestTruthComesOutAgain(t *testing.T) {
	observed := func(preset string) (*Ledger, map[schema.FamilyName][]lifedata.Obs) {
		l := generate(t, preset, 250, 11, nil)
		var units []*unit.Unit
		for i := range l.Options.Units {
			units = append(units, l.Build(i))
		}
		byFamily := map[schema.FamilyName][]lifedata.Obs{}
		for _, o := range reliability.Observe(units, reliability.ObserveOptions{AsOf: l.Options.End, Families: l.Families}).All {
			if o.Kind != reliability.ObservedLeftOut {
				byFamily[o.Family] = append(byFamily[o.Family], lifedata.Obs{Unit: o.Unit, Entry: o.Entry, Lower: o.Lower, Upper: o.Upper, Count: float64(o.Count)})
			}
		}
		return l, byFamily
	}
	l, obs := observed("independent")
	for _, f := range l.Options.Families {
		fit, err := lifedata.FitExponential(obs[f.Name], 0.95)
		if err != nil {
			t.Errorf("%s: %v", f.Name, err)
		} else if z := math.Log(fit.Rate/f.Rate()) / fit.SELogRate; !(math.Abs(z) <= 5) {
			t.Errorf("%s: rate %g, in truth %g, %.1f standard errors off", f.Name, fit.Rate, f.Rate(), z)
		}
	}
	l, obs = observed("wearing")
	for _, f := range l.Options.Families {
		fit, err := lifedata.FitWeibull(obs[f.Name], lifedata.WeibullOptions{Level: 0.95})
		if err != nil {
			t.Errorf("%s: %v", f.Name, err)
			continue
		}
		shape, scale := math.Log(fit.Shape/f.Shape)/fit.SELogShape, math.Log(fit.Scale/f.Scale)/fit.SELogScale
		if !(math.Abs(shape) <= 5) || !(math.Abs(scale) <= 5) {
			t.Errorf("%s: shape %g and scale %g, in truth %g and %g: %.1f and %.1f standard errors off",
				f.Name, fit.Shape, fit.Scale, f.Shape, f.Scale, shape, scale)
		}
	}
}
