package reliability

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"benchlore/schema/unit"
)

var updateHand = flag.Bool("update-hand", false, "rewrite what testdata/reliability wants; work it out by hand before you keep it")

// tellObservation writes an observation as the hand ledgers have it, times in
// days.
func tellObservation(o Observation) string {
	day := func(v float64) string {
		if math.IsInf(v, 1) {
			return "no end"
		}
		return fmt.Sprintf("%.0f", v*365.25)
	}
	var s string
	switch o.Kind {
	case ObservedEvent:
		s = "failed between " + day(o.Lower) + " and " + day(o.Upper)
	case ObservedCensored:
		s = "good to " + day(o.Lower)
	default:
		s = "left out"
		if o.Lower > 0 {
			s += " from " + day(o.Lower)
		}
		s += ", " + string(o.Reason)
	}
	add := func(set bool, words string) {
		if set {
			s += "; " + words
		}
	}
	add(o.Kind != ObservedEvent && o.LowerWorking > o.Lower, "good to "+day(o.LowerWorking)+" if silence is working")
	add(o.Latest > o.Lower && o.Kind != ObservedEvent, "unknown at "+day(o.Latest))
	add(o.Half > 0, "give or take "+day(o.Half))
	add(o.Restart == earlierWindow, "before the first visit")
	add(o.Restart > 0, "after a repair")
	add(o.UnknownOrigin, "age unknown")
	add(!o.Verified && !o.Hidden, "counts from the end of the first visit, "+day(o.First))
	add(o.Suspect, "suspect")
	add(o.Systematic, "tested whole")
	add(o.Prompted, "brought the unit in")
	add(o.DegradedOut, "taken out as degraded")
	add(o.Restart == 0 && !o.Handled, "in no denominator")
	return s
}

// Every ledger of testdata/reliability gives the observations that were worked
// out by hand beside it.
func TestHandLedgers(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("..", "..", "testdata", "reliability", "*.txtar"))
	if err != nil || len(files) < 35 {
		t.Fatalf("%d ledgers, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txtar"), func(t *testing.T) {
			a, err := txtar.ParseFile(file)
			if err != nil {
				t.Fatal(err)
			}
			opt := ObserveOptions{Families: observedFamilies()}
			records, built, same := map[string][]ledgerRecord{}, map[string]string{}, map[string]string{}
			var names, want []string
			for _, f := range a.Files {
				text := string(f.Data)
				tag, name := path.Split(f.Name)
				tag = strings.TrimSuffix(tag, "/")
				if tag != "" && !slices.Contains(names, tag) {
					names = append(names, tag)
				}
				switch name {
				case "want":
					want = strings.Split(strings.TrimSpace(text), "\n")
				case "as-of":
					opt.AsOf = mustDate(t, strings.TrimSpace(text))
				case "failure":
					opt.FailureDegraded = strings.TrimSpace(text) == "degraded"
				case "built":
					built[tag] = strings.TrimSpace(text)
				case "uuid-of":
					same[tag] = strings.TrimSpace(text)
				default:
					records[tag] = append(records[tag], ledgerRecord{name, text})
				}
			}
			var units []*unit.Unit
			for _, n := range names {
				u := observedUnit(t, n, built[n], records[n]...)
				if id := same[n]; id != "" {
					u.Instrument.UUID = uuidOf(id)
				}
				units = append(units, u)
			}
			obs := Observe(units, opt)
			var got []string
			done := map[string]bool{}
			for _, line := range want {
				at, _, _ := strings.Cut(line, ":")
				if done[at] {
					continue
				}
				done[at] = true
				i := strings.LastIndex(at, " ")
				for _, o := range observedAt(obs, at[:i], at[i+1:], "") {
					got = append(got, at+": "+tellObservation(o))
				}
			}
			if *updateHand {
				for i := range a.Files {
					if a.Files[i].Name == "want" {
						a.Files[i].Data = []byte(strings.Join(got, "\n") + "\n")
					}
				}
				if err := os.WriteFile(file, txtar.Format(a), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			if !slices.Equal(got, want) {
				t.Errorf("%s\ngot\n%s\nwant\n%s", a.Comment, strings.Join(got, "\n"), strings.Join(want, "\n"))
			}
		})
	}
}
