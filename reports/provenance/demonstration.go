package provenance

import (
	"slices"
	"strings"

	"benchlore/reports/page"
	"benchlore/schema"
)

// FunctionReport is how one function was last shown at one stage.
type FunctionReport struct {
	ID      string                    `json:"id"`
	Name    string                    `json:"name"` // the model's; the id where the model does not list it
	Section string                    `json:"section,omitempty"`
	Stage   schema.DemonstrationStage `json:"stage"`
	Works   schema.FunctionState      `json:"works"`
	Note    string                    `json:"note,omitempty"`
	File    string                    `json:"file,omitempty"`
	SHA256  string                    `json:"sha256,omitempty"`
	URL     string                    `json:"url,omitempty"`
	At      string                    `json:"at,omitempty"` // mm:ss
	Date    string                    `json:"date"`
	By      string                    `json:"by"`
	Record  string                    `json:"record"`
	Bench   string                    `json:"bench,omitempty"`
}

// demonstration gathers how each function was last shown, and those of the
// model that never were. A unit that was never shown has neither.
func (b *builder) demonstration() {
	for _, x := range b.u.Demonstrated() {
		h := x.File.Record.Head()
		r := FunctionReport{ID: page.Clean(x.ID), Name: page.Clean(x.Function.Name), Section: page.Clean(string(x.Function.Section)), Stage: x.Stage, Works: x.Works,
			Note: x.Note, File: page.Clean(x.Shown.File), SHA256: page.Clean(x.SHA256), URL: page.Clean(x.URL), At: page.Clean(string(x.At)),
			Date: dayText(h.Date), By: b.person(x.File, h.By), Record: x.File.Name(), Bench: b.benchName(x.File)}
		if r.Name == "" {
			r.Name = r.ID
		}
		b.p.Functions = append(b.p.Functions, r)
	}
	if b.p.Functions == nil {
		return
	}
	for _, f := range b.u.Model.Functions {
		if !slices.ContainsFunc(b.p.Functions, func(x FunctionReport) bool { return x.ID == page.Clean(f.ID) }) {
			b.p.NotShown = append(b.p.NotShown, page.Clean(f.Name))
		}
	}
}

func (t *textReport) demonstration() {
	list := t.p.Functions
	if len(list) == 0 {
		return
	}
	t.Heading("What it does, and where to hear it")
	t.Para(0, "As the bench last showed it, function by function. A demonstration is not a measurement.")
	for i, x := range list {
		if i == 0 || list[i-1].ID != x.ID {
			s := Own(x.Name)
			if x.Section != "" && !strings.EqualFold(x.Section, x.Name) {
				s += " (" + Own(x.Section) + ")"
			}
			t.Item(0, s)
		}
		t.Item(2, x.sentence())
	}
	if len(t.p.NotShown) > 0 {
		names := make([]string, len(t.p.NotShown))
		for i, n := range t.p.NotShown {
			names[i] = Own(n)
		}
		t.Para(0, "Never shown: "+strings.Join(names, ", ")+".")
	}
}

func (x FunctionReport) sentence() string {
	s := map[schema.DemonstrationStage]string{schema.ShownAsFound: "As found", schema.ShownAsLeft: "As left"}[x.Stage]
	s += ", " + x.Date + ", " + Own(x.By) + ": " + map[schema.FunctionState]string{
		schema.FunctionFully: "works", schema.FunctionPartly: "works partly", schema.FunctionNo: "DOES NOT WORK",
		schema.FunctionNotTried: "not tried", schema.FunctionNotFitted: "not fitted to this unit"}[x.Works] + "."
	if x.Note != "" {
		s += " " + page.Says(x.Note)
	}
	at := ""
	if x.At != "" {
		at = " at " + Own(x.At)
	}
	if x.File != "" {
		s += " To hear it: " + Own(x.File) + at + ", SHA-256 " + Own(x.SHA256) + "."
	}
	if x.URL != "" {
		s += " To hear it: " + Own(x.URL) + at + ". The address is as the bench gave it; what is found there may change."
	}
	if x.Bench != "" {
		s += " Recorded" + atBench(x.Bench) + "."
	}
	return s
}
