package reliability

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"benchlore/reports/page"
	"benchlore/schema/unit"
)

// jsonDoc decodes a report's JSON into maps, groups by their key.
func jsonDoc(t *testing.T, r *Report) map[string]map[string]any {
	t.Helper()
	var b bytes.Buffer
	if err := r.WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	var doc struct{ Groups []map[string]any }
	if err := json.Unmarshal(b.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	groups := map[string]map[string]any{}
	for i, g := range doc.Groups {
		delete(g, "key")
		groups[r.Groups[i].title()] = g
	}
	return groups
}

// wearingLedger is thirty units in which a smoothing capacitor wears out, and
// a film one, of which some are of unknown age, fails now and then.
func wearingLedger(t *testing.T) []*unit.Unit {
	var units []*unit.Unit
	for i := range 30 {
		day := func(years float64) string { return dayAfter(t, int(years*365.25)) }
		age := 20 + float64(i)
		found := "ok"
		if i%3 == 0 || i > 20 {
			found = "failed"
		}
		film := partLine("channel 1", "C1", map[bool]string{true: "failed", false: "ok"}[i%7 == 3], "replaced", fmt.Sprintf(`new = {maker = "%s", lot = "f-%d"}`, []string{"Ormvik", "Brask"}[i%2], i%3))
		records := []ledgerRecord{
			{day(age-2) + "-intake", "reason = \"inspection\"\nworks = \"fully\"\nearlier_work = [\"none-seen\"]\n"},
			{day(age-2) + "-parts", partLine("supply", "C1", "ok", "left")},
			{day(age-2) + "-release", outFully},
			{day(age) + "-intake", inNo + map[bool]string{true: "[[section]]\nname = \"channel 2\"\norigin = \"unknown\"\n"}[i%5 == 0]},
			{day(age) + "-parts", partLine("supply", "C1", found, "replaced") + film + jointLine(1+i%3, "failed", "reworked")},
			{day(age) + "-release", outFully},
			{day(age+1) + "-followup", said},
		}
		if i%4 == 0 {
			records = append(records, ledgerRecord{day(age+2.5) + "-intake", inNo},
				ledgerRecord{day(age+2.5) + "-parts", partLine("channel 1", "C1", map[bool]string{true: "failed", false: "ok"}[i%8 == 0], "left") + partLine("supply", "C1", "ok", "left") + jointLine(1, "failed", "reworked")},
				ledgerRecord{day(age+2.5) + "-release", outFully})
		}
		units = append(units, observedUnit(t, fmt.Sprintf("x-%02d", i), dayZero, records...))
	}
	return units
}

// What was exported gives the same rates, lives, ranks and curves, to the last
// digit that is written.
func TestExportedObservationsGiveTheSame(t *testing.T) {
	ledgers := map[string][]*unit.Unit{"echo": echoLedger(t), "dated": datedLedger(t), "wearing": wearingLedger(t)}
	seen := map[string]int{}
	for name, units := range ledgers {
		for _, s := range []Silence{SilenceUnknown, SilenceWorking} {
			for _, by := range [][]string{{"family"}, {"family", "maker"}, {"group"}, {"model", "origin"}} {
				for _, hours := range []bool{false, true} {
					obs := Observe(units, ObserveOptions{AsOf: mustDate(t, "2026-01-01"), Families: observedFamilies(), Lag: DefaultLag, Hours: hours})
					r, err := Estimate(obs, observedFamilies(), Options{By: by, Silence: s})
					if err != nil {
						t.Fatal(err)
					}
					var file bytes.Buffer
					if err := r.WriteObservations(&file); err != nil {
						t.Fatal(err)
					}
					if head, _, _ := strings.Cut(file.String(), "\n"); head != "unit,group,entry,lower,upper,count" {
						t.Fatalf("columns %q", head)
					}
					if strings.Count(file.String(), "\n") == 1 {
						continue
					}
					back, err := FromFile(&file, "", Options{Silence: s})
					if err != nil {
						t.Fatal(err)
					}
					want, got := jsonDoc(t, r), jsonDoc(t, back)
					for title, g := range got {
						w := want[title]
						if w == nil {
							t.Fatalf("%s: no group %q in the ledger", name, title)
						}
						if w["rateBounds"] != nil {
							continue // that some were not looked at stands in the records only
						}
						for _, k := range []string{"rate", "weibull", "rank", "curve"} {
							if !reflect.DeepEqual(g[k], w[k]) {
								t.Errorf("%s by %v, silence %s, %s, %s:\n%v\nwant %v", name, by, s, title, k, g[k], w[k])
							}
							if g[k] != nil && !reflect.DeepEqual(g[k], []any{}) {
								seen[k]++
							}
						}
						if strings.Contains(fmt.Sprint(w["weibullRefused"]), "not looked at") {
							continue
						}
						if !hours && (!reflect.DeepEqual(g["rateRefused"], w["rateRefused"]) || !reflect.DeepEqual(g["weibullRefused"], w["weibullRefused"])) {
							t.Errorf("%s, %s: %v %v, want %v %v", name, title, g["rateRefused"], g["weibullRefused"], w["rateRefused"], w["weibullRefused"])
						}
					}
				}
			}
		}
	}
	for _, k := range []string{"rate", "weibull", "curve"} {
		if seen[k] == 0 {
			t.Errorf("no %s was compared", k)
		}
	}
}

func TestReliabilityFromFileErrors(t *testing.T) {
	for _, tt := range []struct{ name, file, want string }{
		{"empty", "", "the file is empty; the first line names the columns unit,group,entry,lower,upper,count"},
		{"header only", "lower,upper\n", "the file has a header and no observations under it"},
		{"missing column", "unit,group,lower\na,b,1\n", `line 1: column "upper" is missing`},
		{"unknown column", "lower,upper,age\n1,2,3\n", `line 1: unknown column "age"`},
		{"upper below lower", "lower,upper\n1,2\n5,3\n", "line 3: upper 3 is below lower 5"},
		{"entry above upper", "entry,lower,upper\n9,,4\n", "line 2: entry 9 is not before upper 4"},
		{"negative", "lower,upper\n-1,4\n", "line 2: lower -1 is negative; write zero or more"},
		{"text", "lower,upper\nlong ago,4\n", `line 2: lower "long ago" is not a finite number`},
		{"not a number", "lower,upper\nNaN,4\n", `line 2: lower "NaN" is not a finite number`},
		{"infinite", "lower,upper\n1,Inf\n", `line 2: upper "Inf" is not a finite number; leave it empty where nothing failed`},
		{"says nothing", "lower,upper\n,\n", "line 2: lower and upper are both empty"},
		{"half a part", "lower,upper,count\n1,2,1.5\n", "line 2: count 1.5 is not a whole number"},
		{"short row", "lower,upper\n1,2\n3\n", "line 3: the row has not as many fields as the header"},
		{"semicolons", "lower;upper\n1;2\n", "line 1: the columns in \"lower;upper\" are not separated by commas"},
		{"huge", "lower,upper\n1,1e400\n", `line 2: upper "1e400" is not a finite number`},
	} {
		_, err := FromFile(strings.NewReader(tt.file), "", Options{})
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", tt.name, err, tt.want)
		}
	}
	if _, err := FromFile(strings.NewReader("lower,upper\n1,2\n"), "", Options{Confidence: 2}); err == nil {
		t.Error("a confidence of 2 was taken")
	}
}

// A file without units has each part for itself, and its wear is refused only
// for too few failures.
func TestReliabilityFromFileWithoutUnits(t *testing.T) {
	r, err := FromFile(strings.NewReader("lower,upper,count\n10,10,1\n20,20,1\n25,25,1\n40,40,1\n55,55,1\n60,,4\n0,,2\n"), "", Options{})
	if err != nil {
		t.Fatal(err)
	}
	g := r.Groups[0]
	e := g.Life[SilenceUnknown]
	if g.Title != "all" || g.Units.Inspected != 11 || g.Units.Affected != 5 || g.Parts.Handled != 11 || g.Parts.Tested != 9 || g.Parts.LeftOut != 2 || r.Units != 11 {
		t.Errorf("%+v %+v, %d units", g.Units, g.Parts, r.Units)
	}
	if e.Rate == nil || e.Rate.Method != "garwood" || !near(e.Rate.PerYear, 5/(150+240.0), 1e-12) || e.Weibull == nil || e.Curve == nil {
		t.Errorf("%+v", e)
	}
	var b bytes.Buffer
	if err := r.WriteJSON(&b); err != nil || !strings.Contains(b.String(), `"group": ""`) || !strings.Contains(b.String(), `"timeUnit": "file"`) {
		t.Errorf("%v %s", err, b.String())
	}
	// Four are too few to fit, unless asked to.
	few := "unit,lower,upper\na,10,10\nb,20,20\nc,25,25\nd,40,40\ne,60,\n"
	for _, anyway := range []bool{false, true} {
		r, err := FromFile(strings.NewReader(few), Hours, Options{FitAnyway: anyway})
		if err != nil {
			t.Fatal(err)
		}
		if e := r.Groups[0].Life[SilenceUnknown]; (e.Weibull != nil) != anyway {
			t.Errorf("anyway %v: %+v, %q", anyway, e.Weibull, e.WeibullRefused)
		}
	}
}

func FuzzReliabilityFromFile(f *testing.F) {
	for _, s := range []string{
		"unit,group,entry,lower,upper,count\na,x,,1,2,3\nb,x,,4,,1\nc,y (age not known),1,2,2,1\n",
		"lower,upper\n1e-300,1e300\n0,\n", "lower,upper\n,5\n,5\n,5\n,7\n", "lower,upper,count\n1,1,1000000\n2,,5\n", "upper,lower\n\xff,\"",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, file string) {
		if len(file) > 2000 {
			return
		}
		r, err := FromFile(strings.NewReader(file), "", Options{})
		if err != nil {
			return
		}
		var b bytes.Buffer
		for _, err := range []error{r.WriteJSON(&b), r.WriteText(&b, page.TextOptions{}), r.WriteCSV(&b), r.WriteHTML(&b)} {
			if err != nil {
				t.Fatal(err)
			}
		}
		for _, g := range r.Groups {
			x := g.Life[SilenceUnknown].Rate
			if x != nil && !x.LowerOnly && !(x.Low <= x.PerYear && x.PerYear <= x.High || x.UpperOnly) {
				t.Errorf("%q: rate %+v", file, x)
			}
			if c := g.Life[SilenceUnknown].Curve; c != nil {
				last := 1.0
				for _, p := range c.Points {
					if !(p.Survival <= last+1e-9 && p.Survival >= 0) || math.IsNaN(p.Time) {
						t.Errorf("%q: curve %+v", file, c.Points)
					}
					last = p.Survival
				}
			}
		}
	})
}
