package lifedata

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func checkRefusal(t *testing.T, err error, want string) {
	t.Helper()
	checkError(t, err, want)
	var refused *Refusal
	if !errors.As(err, &refused) {
		t.Errorf("%q is a %T, not a refusal", err, err)
	}
}

func TestReadObs(t *testing.T) {
	t.Parallel()
	inf := math.Inf(1)
	tests := []struct {
		name, text string
		want       []Obs
	}{
		{"all columns", "unit,group,entry,lower,upper,count\nnocturne-3,hammer,2.5,10,12,4\n",
			[]Obs{{"nocturne-3", "hammer", 2.5, 10, 12, 4}}},
		{"only the needed ones", "lower,upper\n3,5\n",
			[]Obs{{Lower: 3, Upper: 5, Count: 1}}},
		{"empty lower is left-censored", "lower,upper\n,5\n",
			[]Obs{{Upper: 5, Count: 1}}},
		{"empty upper is right-censored", "lower,upper,count\n5,,\n",
			[]Obs{{Lower: 5, Upper: inf, Count: 1}}},
		{"equal is exact", "upper,lower\n7,7\n",
			[]Obs{{Lower: 7, Upper: 7, Count: 1}}},
		{"alike rows add up in the place of the first", "unit,lower,upper,count\na,1,2,2\nb,1,2,1\na,1,2,3\n",
			[]Obs{{"a", "", 0, 1, 2, 5}, {"b", "", 0, 1, 2, 1}}},
		{"quotes, spaces, capitals, BOM, CRLF", "\ufeffUnit, Lower ,UPPER\r\n\"longwave, red\", 1e1 ,20\r\n",
			[]Obs{{"longwave, red", "", 0, 10, 20, 1}}},
		{"blank lines", "lower,upper\n\n1,2\n\n",
			[]Obs{{Lower: 1, Upper: 2, Count: 1}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ReadObs(strings.NewReader(tt.text))
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(got, tt.want) {
				t.Errorf("%+v, want %+v", got, tt.want)
			}
		})
	}
}

func TestReadObsErrors(t *testing.T) {
	t.Parallel()
	tests := []struct{ name, text, want string }{
		{"empty file", "", "the file is empty; the first line names the columns unit,group,entry,lower,upper,count"},
		{"header only", "lower,upper\n", "the file has a header and no observations under it"},
		{"missing column", "unit,lower\na,1\n", `line 1: column "upper" is missing; the columns are unit, group, entry, lower, upper, count, of which lower and upper must be there`},
		{"unknown column", "lower,uper\n1,2\n", `line 1: unknown column "uper"; the columns are unit, group, entry, lower, upper, count`},
		{"column twice", "lower,upper,lower\n1,2,3\n", `line 1: column "lower" stands twice`},
		{"semicolons", "lower;upper\n1;2\n", `line 1: the columns in "lower;upper" are not separated by commas`},
		{"upper below lower", "lower,upper\n1,2\n5,2\n", "line 3: upper 2 is below lower 5; a failure lies between lower, when it was last good, and upper, when it had failed"},
		{"entry above upper", "entry,lower,upper\n9,,4\n", "line 2: entry 9 is not before upper 4; a failure from before observation began must be left out"},
		{"negative lower", "lower,upper\n-1,2\n", "line 2: lower -1 is negative; write zero or more"},
		{"negative entry", "entry,lower,upper\n-3,1,2\n", "line 2: entry -3 is negative; write zero or more"},
		{"negative count", "lower,upper,count\n1,2,-4\n", "line 2: count -4 is negative; write zero or more"},
		{"part of a count", "lower,upper,count\n1,2,1.5\n", "line 2: count 1.5 is not a whole number"},
		{"text", "lower,upper\n1,two\n", `line 2: upper "two" is not a finite number; leave it empty where nothing failed`},
		{"NaN", "lower,upper\nNaN,2\n", `line 2: lower "NaN" is not a finite number; leave it empty where nothing is known before upper`},
		{"infinite", "lower,upper\n1,Inf\n", `line 2: upper "Inf" is not a finite number; leave it empty where nothing failed`},
		{"too large", "lower,upper\n1,1e999\n", `line 2: upper "1e999" is not a finite number; leave it empty where nothing failed`},
		{"count not a number", "lower,upper,count\n1,2,x\n", `line 2: count "x" is not a finite number`},
		{"decimal comma", "lower,upper\n1,5,2\n", "line 2: the row has not as many fields as the header; write decimals with a point, and a comma for every empty field"},
		{"failure at no age", "lower,upper\n0,0\n", "line 2: upper is 0, a failure at no age; write the end of the first day, or leave the row out"},
		{"says nothing", "unit,lower,upper\na,,\n", "line 2: lower and upper are both empty; leave out a row that says nothing"},
		{"line after a quoted line break", "unit,lower,upper\n\"a\nb\",1,2\nc,3,2\n", "line 4: upper 2 is below lower 3; a failure lies between lower, when it was last good, and upper, when it had failed"},
		{"open quote", "unit,lower,upper\n\"a,1,2\n", `line 2: extraneous or missing " in quoted-field`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := ReadObs(strings.NewReader(tt.text))
			checkError(t, err, tt.want)
		})
	}
}

// drawObs draws observations of every kind, with ties.
func drawObs(t *rapid.T, entry bool) []Obs {
	age := rapid.Map(rapid.IntRange(1, 40), func(i int) float64 { return float64(i) / 4 })
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Obs {
		o := Obs{
			Unit:  rapid.SampledFrom([]string{"", "a", "b", "c", "d", "e", "f"}).Draw(t, "unit"),
			Lower: age.Draw(t, "lower"),
			Count: float64(rapid.IntRange(1, 3).Draw(t, "count")),
		}
		switch rapid.IntRange(0, 3).Draw(t, "kind") {
		case 0:
			o.Upper = o.Lower
		case 1:
			o.Upper = math.Inf(1)
		case 2:
			o.Upper = o.Lower + age.Draw(t, "width")
		case 3:
			o.Lower, o.Upper = 0, o.Lower
		}
		if entry && rapid.Bool().Draw(t, "late") {
			if e := age.Draw(t, "entry"); e < o.Upper {
				o.Entry = e
			}
		}
		return o
	}), 1, 40).Draw(t, "obs")
}

func TestWriteObsRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		obs := drawObs(t, true)
		var first strings.Builder
		if err := WriteObs(&first, obs); err != nil {
			t.Fatal(err)
		}
		read, err := ReadObs(strings.NewReader(first.String()))
		if err != nil {
			t.Fatalf("%v in\n%s", err, first.String())
		}
		key := func(o Obs) Obs { o.Count = 0; return o }
		counts := map[Obs]float64{}
		for _, o := range obs {
			counts[key(o)] += o.Count
		}
		if len(read) != len(counts) {
			t.Fatalf("%d different rows read, %d written", len(read), len(counts))
		}
		for _, o := range read {
			if counts[key(o)] != o.Count {
				t.Fatalf("read %+v, wrote a count of %v", o, counts[key(o)])
			}
		}
	})
}

// Counted by hand.
func TestTally(t *testing.T) {
	t.Parallel()
	inf := math.Inf(1)
	got := TallyOf([]Obs{
		{Unit: "a", Lower: 3, Upper: 3, Count: 2},
		{Unit: "a", Lower: 9, Upper: inf, Count: 5},
		{Unit: "b", Entry: 4, Lower: 4, Upper: 6, Count: 1},
		{Unit: "c", Entry: 4, Lower: 4, Upper: inf, Count: 8}, // says nothing
		{Lower: 1, Upper: 2, Count: 3},
	})
	want := Tally{Components: 19, Failures: 6, Exact: 2, Left: 1, Units: 5, Failed: 5, Named: true}
	if got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	if got.LeftShare() != 1./6 {
		t.Errorf("share left-censored %v, want 1/6", got.LeftShare())
	}
}

func FuzzReadObs(f *testing.F) {
	f.Add("unit,group,entry,lower,upper,count\na,x,1,2,3,4\n")
	f.Add("lower,upper\n,5\n5,\n7,7\n")
	f.Add("\ufefflower;upper\n1,\"2\n")
	f.Fuzz(func(t *testing.T, text string) {
		obs, err := ReadObs(strings.NewReader(text))
		if err != nil {
			return
		}
		var again strings.Builder
		if err := WriteObs(&again, obs); err != nil {
			t.Fatal(err)
		}
		back, err := ReadObs(strings.NewReader(again.String()))
		if err != nil {
			t.Fatalf("%v in what was written:\n%s", err, again.String())
		}
		if len(back) > len(obs) {
			t.Fatalf("%d rows became %d", len(obs), len(back))
		}
	})
}
