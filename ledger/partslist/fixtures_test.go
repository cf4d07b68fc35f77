package partslist

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"benchlore/schema/quantity"
)

const fixtures = "../../testdata/lists"

// expectation is what a NAME.expected says, by its sections.
type expectation struct {
	head  map[string]string
	lines map[string][]string
}

func readExpectation(t *testing.T, file string) expectation {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	e := expectation{map[string]string{}, map[string][]string{}}
	section := ""
	for _, line := range strings.Split(string(data), "\n") {
		line = strings.TrimRight(line, "\r")
		switch {
		case strings.TrimSpace(line) == "" || strings.HasPrefix(line, "#"):
		case strings.HasPrefix(line, "["):
			section = strings.Trim(line, "[]")
			e.lines[section] = nil
		case section == "":
			k, v, _ := strings.Cut(line, "|")
			e.head[k] = v
		default:
			e.lines[section] = append(e.lines[section], line)
		}
	}
	return e
}

// partsLists are the fixtures that are parts lists, with what their owner answers.
func partsLists(t *testing.T) []string {
	t.Helper()
	all, err := filepath.Glob(fixtures + "/*.expected")
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, f := range all {
		if name := strings.TrimSuffix(filepath.Base(f), ".expected"); !strings.HasPrefix(name, "done-") {
			out = append(out, name)
		}
	}
	if len(out) < 12 {
		t.Fatalf("only %d parts lists in %s", len(out), fixtures)
	}
	return out
}

func readFixture(t *testing.T, name string, opt Options) *List {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(fixtures, name))
	if err != nil {
		t.Fatal(err)
	}
	sheets, err := ReadSheets(name, data)
	if err != nil {
		t.Fatal(err)
	}
	l, err := Read(sheets, opt)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// answered reads a list as its owner would: what is asked is answered as the
// expectation has it.
func answered(t *testing.T, name string, e expectation) *List {
	t.Helper()
	l := readFixture(t, name, Options{})
	if len(l.Questions) > 3 {
		t.Errorf("%d questions, at most three are allowed", len(l.Questions))
	}
	if len(l.Questions) == 0 {
		return l
	}
	answers := map[string]string{}
	for _, q := range l.Questions {
		if !strings.HasPrefix(q.Key, "section:") {
			t.Fatalf("no answer is known to %q", q.Text)
		}
		for _, line := range e.lines["questions"] {
			if strings.Contains(line, "which section") {
				_, answers[q.Key], _ = strings.Cut(line, "|")
			}
		}
	}
	l = readFixture(t, name, Options{Answers: answers})
	if len(l.Questions) != 0 {
		t.Errorf("asked again: %v", l.Questions)
	}
	return l
}

func TestFixtures(t *testing.T) {
	t.Parallel()
	for _, name := range partsLists(t) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			e := readExpectation(t, filepath.Join(fixtures, name+".expected"))
			l := answered(t, name, e)
			comparePositions(t, e.lines["positions"], l.Positions)
			n := 0
			for _, p := range l.Positions {
				if p.Ref != "" {
					n++
				} else {
					n++ // a count is one line of the expectation
				}
			}
			if want := e.head["positions"]; strconv.Itoa(n) != want {
				t.Errorf("%d positions, want %s", n, want)
			}
			compareRows(t, "not taken", e.lines["not taken"], l.NotTaken, true)
			compareRows(t, "said", e.lines["said"], l.Said, false)
			for _, n := range l.NotTaken {
				if n.What == "" {
					t.Errorf("%s: no reason", n.At())
				}
			}
		})
	}
}

var rowOf = regexp.MustCompile(`^(?:([^!|]+)!)?(\d+)`)

// compareRows holds the rows that were not taken, or that were said something of,
// against those expected.
func compareRows(t *testing.T, what string, want []string, got []Note, all bool) {
	t.Helper()
	has := map[string]bool{}
	for _, n := range got {
		has[fmt.Sprintf("%s!%d", n.Sheet, n.Row)] = true
	}
	wanted := map[string]bool{}
	for _, line := range want {
		m := rowOf.FindStringSubmatch(line)
		if m == nil {
			if len(got) == 0 {
				t.Errorf("%s: nothing, want %s", what, line)
			}
			continue
		}
		key := m[1] + "!" + m[2]
		wanted[key] = true
		if !has[key] {
			t.Errorf("%s: nothing of row %s, want %s", what, key, line)
		}
	}
	for _, n := range got {
		if key := fmt.Sprintf("%s!%d", n.Sheet, n.Row); all && !wanted[key] {
			t.Errorf("%s: row %s: %s; nothing was expected", what, key, n.What)
		}
	}
}

// guessGroup: of a family that ends in ? another of the same group is as good.
func comparePositions(t *testing.T, want []string, got []Position) {
	t.Helper()
	byKey := map[string][]Position{}
	for _, p := range got {
		ref := string(p.Ref)
		if p.Ref == "" {
			ref = fmt.Sprintf("x%d", p.Count)
		}
		key := strings.ToLower(p.Section + "|" + ref)
		byKey[key] = append(byKey[key], p)
	}
	for _, line := range want {
		f := strings.Split(line, "|")
		if len(f) != 7 {
			t.Fatalf("%q has %d fields", line, len(f))
		}
		section := strings.ToLower(f[0])
		if base, _, ok := strings.Cut(section, " 1-"); ok { // several alike
			section = base
		}
		key := section + "|" + strings.ToLower(f[2])
		list := byKey[key]
		if len(list) == 0 {
			t.Errorf("%s is missing", line)
			continue
		}
		at := 0
		for i, p := range list { // counts alike have no other name
			if strings.TrimSuffix(f[3], "?") == string(p.Family) {
				at = i
				break
			}
		}
		p := list[at]
		byKey[key] = slices.Delete(list, at, at+1)
		wantFamily, guess := strings.CutSuffix(f[3], "?")
		if guess {
			group, _, _ := strings.Cut(wantFamily, "/")
			if !strings.HasPrefix(string(p.Family), group+"/") || p.Sure {
				t.Errorf("%s: family %s, sure %v", line, p.Family, p.Sure)
			}
		} else if string(p.Family) != wantFamily {
			t.Errorf("%s: family %s", line, p.Family)
		}
		if !strings.EqualFold(p.Board, f[1]) {
			t.Errorf("%s: board %q", line, p.Board)
		}
		sameQuantity(t, line, "value", f[4], string(p.Value))
		sameQuantity(t, line, "rating", f[5], string(p.Rating))
		for _, w := range strings.FieldsFunc(f[6], func(r rune) bool { return r == ' ' || r == ',' }) {
			if !strings.Contains(strings.ToLower(p.Type+" "+p.Note), strings.ToLower(w)) {
				t.Errorf("%s: type %q, note %q, without %q", line, p.Type, p.Note, w)
			}
		}
	}
	for key, list := range byKey {
		if len(list) > 0 {
			t.Errorf("%s is too many: %+v", key, list[0])
		}
	}
}

func sameQuantity(t *testing.T, line, what, want, got string) {
	t.Helper()
	if want == got {
		return
	}
	a, err1 := quantity.Parse(want)
	b, err2 := quantity.Parse(got)
	if err1 != nil || err2 != nil || a.Canonical() != b.Canonical() {
		t.Errorf("%s: %s %q", line, what, got)
	}
}
