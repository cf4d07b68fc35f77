package lifedata

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"
)

const benchSize = 100_000

// mixedLives is a Weibull sample, shape 2.2 and scale 45 years, seen in every
// way there is: dated failures, service visits a few years apart, and single
// inspections. Ages are whole days, several to a unit.
func mixedLives(n int) []Obs {
	r := rand.New(rand.NewPCG(7, 11))
	day := func(years float64) float64 { return math.Ceil(years*365.25) / 365.25 }
	obs := make([]Obs, n)
	for i := range obs {
		life := day(45 * math.Pow(-math.Log(1-r.Float64()), 1/2.2))
		o := Obs{Unit: "u" + string(rune('a'+i%26)) + string(rune('a'+i/26%26)) + string(rune('a'+i/676%26)), Upper: math.Inf(1), Count: 1}
		switch end := day(20 + 40*r.Float64()); {
		case i%10 < 3: // dated
			if life <= end {
				o.Lower, o.Upper = life, life
			} else {
				o.Lower = end
			}
		case i%10 < 6: // seen once
			if life <= end {
				o.Upper = end
			} else {
				o.Lower = end
			}
		default: // visits
			at := day(10 * r.Float64())
			for at < life && at < end {
				o.Lower = at
				at = day(at + 1 + 8*r.Float64())
			}
			if at >= life {
				o.Upper = at
			}
		}
		obs[i] = o
	}
	return obs
}

// datedLives is the same with every failure dated and half of them under
// observation from a later age only.
func datedLives(n int) []Obs {
	r := rand.New(rand.NewPCG(13, 17))
	var obs []Obs
	for len(obs) < n {
		life := math.Ceil(45*365.25*math.Pow(-math.Log(1-r.Float64()), 1/2.2)) / 365.25
		end := math.Ceil(365.25*(20+40*r.Float64())) / 365.25
		o := Obs{Lower: math.Min(life, end), Upper: math.Inf(1), Count: 1}
		if life <= end {
			o.Upper = life
		}
		if len(obs)%2 == 0 {
			o.Entry = math.Floor(365.25*20*r.Float64()) / 365.25
		}
		if o.Entry < o.Lower {
			obs = append(obs, o)
		}
	}
	return obs
}

func BenchmarkWeibull(b *testing.B) {
	obs := mixedLives(benchSize)
	for b.Loop() {
		if _, err := FitWeibull(obs, WeibullOptions{Level: 0.95}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkTurnbull(b *testing.B) {
	obs := mixedLives(benchSize)
	for b.Loop() {
		if _, err := Turnbull(obs); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkKaplanMeier(b *testing.B) {
	obs := datedLives(benchSize)
	for b.Loop() {
		if _, err := KaplanMeier(obs, 0.95); err != nil {
			b.Fatal(err)
		}
	}
}

// TestWriteBenchData writes the benchmark's data where other programs can read
// them, if LIFEDATA_BENCH names a folder.
func TestWriteBenchData(t *testing.T) {
	t.Parallel()
	dir := os.Getenv("LIFEDATA_BENCH")
	if dir == "" {
		t.Skip("LIFEDATA_BENCH names no folder")
	}
	for name, obs := range map[string][]Obs{"mixed.csv": mixedLives(benchSize), "dated.csv": datedLives(benchSize)} {
		f, err := os.Create(dir + "/" + name)
		if err != nil {
			t.Fatal(err)
		}
		if err := WriteObs(f, obs); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
