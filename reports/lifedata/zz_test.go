package lifedata

import (
	"fmt"
	"os"
	"testing"
	"time"
)

func TestZZ(t *testing.T) {
	f, err := os.Open("/tmp/w/rel.work/old.10k/export.csv")
	if err != nil {
		t.Skip()
	}
	all, err := ReadObs(f)
	if err != nil {
		t.Fatal(err)
	}
	for _, g := range ByGroup(all) {
		t0 := time.Now()
		TallyOf(g.Obs)
		t1 := time.Now()
		FitExponential(g.Obs, 0.95)
		t2 := time.Now()
		FitWeibull(g.Obs, WeibullOptions{Level: 0.95})
		t3 := time.Now()
		c, err := Turnbull(g.Obs)
		t4 := time.Now()
		_, m := innermost(g.Obs)
		fmt.Printf("%-30s %6d rows tally %v exp %v weib %v turn %v steps %d edges %d err %v gap %g\n", g.Name, len(g.Obs), t1.Sub(t0), t2.Sub(t1), t3.Sub(t2), t4.Sub(t3), len(c.Steps), len(m.edges), err, c.Gap)
	}
}
