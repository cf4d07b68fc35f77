package quantity

import (
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// e96 is the E96 series of IEC 60063, from memory.
var e96 = []int64{
	100, 102, 105, 107, 110, 113, 115, 118, 121, 124, 127, 130, 133, 137, 140, 143,
	147, 150, 154, 158, 162, 165, 169, 174, 178, 182, 187, 191, 196, 200, 205, 210,
	215, 221, 226, 232, 237, 243, 249, 255, 261, 267, 274, 280, 287, 294, 301, 309,
	316, 324, 332, 340, 348, 357, 365, 374, 383, 392, 402, 412, 422, 432, 442, 453,
	464, 475, 487, 499, 511, 523, 536, 549, 562, 576, 590, 604, 619, 634, 649, 665,
	681, 698, 715, 732, 750, 768, 787, 806, 825, 845, 866, 887, 909, 931, 953, 976,
}

// The tables are from memory of IEC 60063; that a fine series holds every second
// value of the next finer one follows from its rule.
func TestSeries(t *testing.T) {
	t.Parallel()
	tables := map[int][]int64{
		3:  {100, 220, 470},
		6:  {100, 150, 220, 330, 470, 680},
		12: {100, 120, 150, 180, 220, 270, 330, 390, 470, 560, 680, 820},
		96: e96,
	}
	for n, want := range tables {
		if got := eSeries(n); !slices.Equal(got, want) {
			t.Errorf("E%d = %v, want %v", n, got, want)
		}
	}
	for _, n := range []int{3, 6, 12, 24, 48, 96, 192} {
		values := eSeries(n)
		if len(values) != n || !slices.IsSorted(values) || len(slices.Compact(values)) != n {
			t.Errorf("E%d has values %v", n, values)
		}
	}
	// Each fine series holds every second value of the next finer one.
	for i, v := range eSeries(48) {
		if e96[2*i] != v {
			t.Errorf("E48 has %d where E96 has %d", v, e96[2*i])
		}
	}
	for i, v := range e96 {
		if eSeries(192)[2*i] != v {
			t.Errorf("E96 has %d where E192 has %d", v, eSeries(192)[2*i])
		}
	}
}

// Values of the series of IEC 60063, from memory, and their neighbours.
func TestPreferred(t *testing.T) {
	t.Parallel()
	tests := []struct {
		text   string
		series int
		want   bool
	}{
		{"4k7", 3, true},
		{"4k7", 12, true},
		{"5k1", 12, false},
		{"5k1", 24, true},
		{"47 pF", 6, true},
		{"0.1 uF", 3, true},
		{"22 uF", 3, true},
		{"33 uF", 3, false},
		{"33 uF", 6, true},
		{"8k2", 12, true},
		{"4k99", 96, true},
		{"4k99", 24, false},
		{"4k7", 96, false},
		{"9k2", 192, true},   // the exception to the rule, from memory
		{"9k19", 192, false}, // what the rule would give
		{"9k09", 48, true},
		{"4k701", 24, false},
		{"-4.7 kOhm", 24, false},
		{"0 Ohm", 24, false},
		{"4k7", 13, false},
	}
	for _, tt := range tests {
		if got := Preferred(mustParse(t, tt.text).Value, tt.series); got != tt.want {
			t.Errorf("%s in E%d: %v, want %v", tt.text, tt.series, got, tt.want)
		}
	}
	if Preferred(nil, 24) {
		t.Error("no value is a preferred value")
	}
}

func TestPreferredAnyDecade(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.SampledFrom([]int{3, 6, 12, 24, 48, 96, 192}).Draw(t, "series")
		v := new(big.Rat).SetInt64(rapid.SampledFrom(eSeries(n)).Draw(t, "value"))
		for range rapid.IntRange(0, 20).Draw(t, "decades") {
			v.Quo(v, rat("10"))
		}
		if !Preferred(v, n) {
			t.Fatalf("%v is not in E%d", v, n)
		}
		if Preferred(v.Mul(v, rat("1.001")), n) {
			t.Fatalf("%v is in E%d", v, n)
		}
	})
}
