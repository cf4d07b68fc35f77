package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"pgregory.net/rapid"

	"benchlore/ledger/worksheet"
)

var updateSheets = flag.Bool("update-sheets", false, "rewrite the .want files of testdata/sheets/wrong")

var sheetDir = filepath.Join("..", "..", "testdata", "sheets")

// inside runs a command line in this process, in the ledger dir on the bench day.
func inside(t interface{ Fatal(...any) }, dir string, args ...string) (out, errs string, code int) {
	now, err := time.Parse(time.RFC3339, benchDay)
	if err != nil {
		t.Fatal(err)
	}
	var o, e bytes.Buffer
	code = run(append([]string{"--ledger", dir}, args...), strings.NewReader(""), &o, &e, hooks{now: func() time.Time { return now }})
	return o.String(), e.String(), code
}

// imported runs import --json and returns what it understood.
func imported(t interface {
	Fatal(...any)
	Fatalf(string, ...any)
}, dir, file string, more ...string) worksheet.Result {
	out, errs, code := inside(t, dir, append([]string{"import", file, "--json"}, more...)...)
	var r worksheet.Result
	if err := json.Unmarshal([]byte(out), &r); code != exitOK || err != nil {
		t.Fatalf("import %s: code %d, %v\n%s%s", file, code, err, out, errs)
	}
	return r
}

// head is what main is at.
func head(t testing.TB, dir string) string {
	out, err := gitOut(dir, "rev-parse", "main")
	if err != nil {
		t.Fatal(out)
	}
	return out
}

// TestWrongSheets: every worksheet of testdata/sheets/wrong is refused with the
// message beside it, which names the cell and what to write, and nothing of it is
// imported.
func TestWrongSheets(t *testing.T) {
	dir := newBench(t)
	was, err := footprint(dir)
	if err != nil {
		t.Fatal(err)
	}
	list, err := filepath.Glob(filepath.Join(sheetDir, "wrong", "*"))
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, file := range list {
		if strings.HasSuffix(file, ".want") {
			continue
		}
		n++
		out, errs, code := inside(t, dir, "import", file)
		got := fmt.Sprintf("%s%s(exit code %d)\n", out, errs, code)
		if code != exitProblems && code != exitUsage {
			t.Errorf("%s: exit code %d\n%s", file, code, got)
		}
		if *updateSheets {
			if err := os.WriteFile(file+".want", []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file + ".want")
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s\n got %s\nwant %s", file, got, want)
		}
		if strings.Count(errs, "\n  ") < 1 {
			t.Errorf("%s: no remedy is named\n%s", file, errs)
		}
	}
	if n < 40 {
		t.Errorf("%d wrong worksheets, want at least 40", n)
	}
	if now, err := footprint(dir); err != nil || now != was {
		t.Errorf("the ledger is not as it was: %v", err)
	}
}

// TestSavedBySpreadsheetProgram: the same worksheet as a spreadsheet program saved it in several
// forms says the same, one of them typed key by key with words cut short, whose
// first letters the program made capitals in part; and after the first import there is nothing left to import.
func TestSavedBySpreadsheetProgram(t *testing.T) {
	longRound(t)
	for _, c := range []struct {
		kind            string
		files           []string
		rows, unreached int
		lines           int
	}{
		{kind: "day", rows: 121, lines: 16, files: []string{"day.xlsx", "day.csv", "day-semicolons.csv", "day-tabs-utf16.csv", "day-from-csv.xlsx", "day-short-words.xlsx"}},
		{kind: "readings", rows: 3, lines: 5, files: []string{"readings.xlsx", "readings.csv"}},
		{kind: "tables", rows: 61, unreached: 21, lines: 2, files: []string{"tables.xlsx", "tables.csv"}},
	} {
		t.Run(c.kind, func(t *testing.T) {
			dir := newBench(t)
			var first worksheet.Result
			for i, f := range c.files {
				r := imported(t, dir, filepath.Join(sheetDir, "spreadsheet-program", f), "--dry-run")
				if r.Rows != c.rows || r.Unreached != c.unreached || r.Unchanged != 0 || len(r.New) != c.lines || len(r.Changed) != 0 {
					t.Errorf("%s: %d rows, %d not reached, %d unchanged, %d changed, new:\n%s", f, r.Rows, r.Unreached, r.Unchanged, len(r.Changed), strings.Join(r.New, "\n"))
				}
				for k := range r.New { // one was typed with decimal commas into cells of text
					r.New[k] = strings.NewReplacer("2,2 uF", "2.2 uF", "4,7 kOhm", "4.7 kOhm").Replace(r.New[k])
				}
				if i == 0 {
					first = r
				} else if !slices.Equal(r.New, first.New) {
					t.Errorf("%s says\n%s\n%s says\n%s", f, strings.Join(r.New, "\n"), c.files[0], strings.Join(first.New, "\n"))
				}
			}
			before := head(t, dir)
			imported(t, dir, filepath.Join(sheetDir, "spreadsheet-program", c.files[0]))
			after := head(t, dir)
			if out, err := gitOut(dir, "rev-list", "--count", before+".."+after); err != nil || out != "1" {
				t.Errorf("%s commits for one import, %v", out, err)
			}
			for _, f := range c.files {
				if r := imported(t, dir, filepath.Join(sheetDir, "spreadsheet-program", f)); len(r.New)+len(r.Changed) != 0 || r.Unchanged+r.Unreached != c.rows {
					t.Errorf("%s again: %+v", f, r)
				}
			}
			if head(t, dir) != after {
				t.Error("importing the same again made a commit")
			}
			if err := judged(dir); err != nil {
				t.Error(err)
			}
		})
	}
}

// grid is a worksheet as a test fills it in.
type grid struct {
	head []string
	rows [][]string
}

func readGrid(t interface{ Fatal(...any) }, text string) grid {
	rows, err := csv.NewReader(strings.NewReader(strings.TrimPrefix(text, "\ufeff"))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return grid{rows[0], rows[1:]}
}

func (g grid) at(key string) int { return slices.Index(g.head, key) }

func (g grid) get(row []string, key string) string {
	if i := g.at(key); i >= 0 {
		return row[i]
	}
	return ""
}

func (g grid) text() string {
	var b strings.Builder
	w := csv.NewWriter(&b)
	w.Write(g.head)
	w.WriteAll(g.rows)
	return b.String()
}

// fewer draws than rapid's hundred, unless -rapid.checks says how many.
func fewerDraws(t *testing.T, n int) {
	t.Helper()
	given := false
	flag.Visit(func(f *flag.Flag) { given = given || f.Name == "rapid.checks" })
	if !given {
		if err := flag.Set("rapid.checks", fmt.Sprint(n)); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { flag.Set("rapid.checks", "100") })
	}
}

// TestSheetInAnyForm: however columns and rows are ordered and the file is
// written, the sheet says the same.
func TestSheetInAnyForm(t *testing.T) {
	fewerDraws(t, 20)
	dir := newBench(t)
	data, err := os.ReadFile(filepath.Join(sheetDir, "spreadsheet-program", "day.csv"))
	if err != nil {
		t.Fatal(err)
	}
	day := readGrid(t, string(data))
	want := imported(t, dir, filepath.Join(sheetDir, "spreadsheet-program", "day.csv"), "--dry-run").New
	slices.Sort(want)
	file := filepath.Join(t.TempDir(), "sheet.csv")
	rapid.Check(t, func(t *rapid.T) {
		columns := rapid.Permutation(intsTo(len(day.head))).Draw(t, "columns")
		rows := rapid.Permutation(intsTo(len(day.rows))).Draw(t, "rows")
		sep := rapid.SampledFrom([]string{",", ";", "\t"}).Draw(t, "separator")
		eol := rapid.SampledFrom([]string{"\n", "\r\n", "\r"}).Draw(t, "line end")
		encoding := rapid.SampledFrom([]string{"UTF-8", "UTF-8 with mark", "UTF-16LE", "UTF-16BE"}).Draw(t, "encoding")
		quoted := rapid.Bool().Draw(t, "all quoted")
		commas := sep == ";" && rapid.Bool().Draw(t, "decimal commas")
		heads := rapid.SampledFrom([]func(string) string{strings.ToLower, strings.ToUpper, func(s string) string { return strings.ReplaceAll(s, " ", "_") }, func(s string) string { return " " + s + ": " }}).Draw(t, "headings")
		own := rapid.Bool().Draw(t, "a column of one's own")
		line := func(cells []string) string {
			for i, c := range cells {
				if quoted || strings.ContainsAny(c, sep+"\"\n") {
					cells[i] = `"` + strings.ReplaceAll(c, `"`, `""`) + `"`
				}
			}
			return strings.Join(cells, sep) + eol
		}
		pick := func(row []string, own string, change func(string, string) string) []string {
			var out []string
			for _, c := range columns {
				out = append(out, change(day.head[c], row[c]))
			}
			if own != "" {
				out = append(out, own)
			}
			return out
		}
		mine := func(s string) string {
			if own {
				return s
			}
			return ""
		}
		text := line(pick(day.head, mine("# mine"), func(_, s string) string { return heads(s) }))
		for i, r := range rows {
			text += line(pick(day.rows[r], mine("=SUM(A1)"), func(head, s string) string {
				if commas && (head == "new value" || head == "new rating") {
					s = strings.ReplaceAll(s, ".", ",")
				}
				return s
			}))
			if i%17 == 5 {
				text += eol
			}
		}
		if err := os.WriteFile(file, encoded(text, encoding), 0o644); err != nil {
			t.Fatal(err)
		}
		r := imported(t, dir, file, "--dry-run")
		slices.Sort(r.New)
		if !slices.Equal(r.New, want) || len(r.Changed) > 0 || r.Unchanged > 0 || r.Rows != len(day.rows) {
			t.Fatalf("%d rows, new:\n%s\nwant\n%s", r.Rows, strings.Join(r.New, "\n"), strings.Join(want, "\n"))
		}
	})
}

func intsTo(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

func encoded(text, encoding string) []byte {
	switch encoding {
	case "UTF-8 with mark":
		return []byte("\ufeff" + text)
	case "UTF-16LE", "UTF-16BE":
		var out []byte
		for _, u := range utf16.Encode([]rune("\ufeff" + text)) {
			if encoding == "UTF-16LE" {
				out = append(out, byte(u), byte(u>>8))
			} else {
				out = append(out, byte(u>>8), byte(u))
			}
		}
		return out
	}
	return []byte(text)
}

// TestSheetThereAndBack: what is filled into a worksheet comes out of the records
// as it went in; again it is nothing new; a row that changes is the one change,
// and a blank cell takes nothing away.
func TestSheetThereAndBack(t *testing.T) {
	longRound(t)
	fewerDraws(t, 2)
	bench := newBench(t)
	blank, errs, code := inside(t, bench, "sheet", "--section", "power supply", "--section", "divider 1-2")
	if code != exitOK {
		t.Fatal(errs)
	}
	top := t.TempDir()
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		dir := filepath.Join(top, fmt.Sprint(n))
		if err := os.CopyFS(dir, os.DirFS(bench)); err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(dir)
		g := readGrid(t, blank)
		reached := 0
		for i, row := range g.rows {
			if rapid.IntRange(0, 2).Draw(t, "reached") > 0 {
				drawPart(t, g, row, i)
				reached++
			}
		}
		if reached == 0 {
			drawPart(t, g, g.rows[0], 0)
			reached++
		}
		file := filepath.Join(top, "sheet.csv")
		write := func(g grid) {
			if err := os.WriteFile(file, []byte(g.text()), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		write(g)
		r := imported(t, dir, file)
		if r.Rows != len(g.rows) || r.Unreached != len(g.rows)-reached || r.Unchanged != 0 || len(r.Changed) != 0 {
			t.Fatalf("of %d rows %d were reached: %+v", len(g.rows), reached, r)
		}
		same := func(g grid) {
			out, errs, code := inside(t, dir, "sheet", "--all", "--section", "power supply", "--section", "divider 1-2")
			if code != exitOK {
				t.Fatal(errs)
			}
			back := readGrid(t, out)
			for _, row := range g.rows {
				if g.get(row, "found") == "" {
					continue
				}
				at := slices.IndexFunc(back.rows, func(b []string) bool {
					return back.get(b, "section") == g.get(row, "section") && back.get(b, "ref") == g.get(row, "ref") && back.get(b, "count") == g.get(row, "count")
				})
				if at < 0 {
					t.Fatalf("%s %s is not there again\n%s", g.get(row, "section"), g.get(row, "ref"), out)
				}
				for _, key := range g.head {
					if key != "has now" && g.get(row, key) != back.get(back.rows[at], key) {
						t.Fatalf("%s %s: %s was %q, and is %q", g.get(row, "section"), g.get(row, "ref"), key, g.get(row, key), back.get(back.rows[at], key))
					}
				}
			}
			if err := os.WriteFile(file, []byte(out), 0o644); err != nil {
				t.Fatal(err)
			}
			if r := imported(t, dir, file); len(r.New)+len(r.Changed) != 0 {
				t.Fatalf("what the records say is not what they say: %+v", r)
			}
			write(g)
			if r := imported(t, dir, file); len(r.New)+len(r.Changed) != 0 || r.Unchanged != reached {
				t.Fatalf("imported again: %+v", r)
			}
		}
		same(g)

		// One row says something else.
		var filled []int
		for i, row := range g.rows {
			if g.get(row, "found") != "" {
				filled = append(filled, i)
			}
		}
		i := rapid.SampledFrom(filled).Draw(t, "the row that changes")
		g.rows[i][g.at("note")] = strings.TrimSpace(g.get(g.rows[i], "note") + " and more")
		write(g)
		r = imported(t, dir, file)
		if len(r.New) != 0 || len(r.Changed) != 1 || r.Unchanged != reached-1 || !strings.Contains(r.Changed[0], "and more") {
			t.Fatalf("one row was changed: %+v", r)
		}
		same(g)

		// Blank cells take nothing away.
		bare := grid{g.head, nil}
		for _, row := range g.rows {
			row = slices.Clone(row)
			row[g.at("note")], row[g.at("how")], row[g.at("fault")] = "", "", ""
			bare.rows = append(bare.rows, row)
		}
		write(bare)
		if r := imported(t, dir, file); len(r.New)+len(r.Changed) != 0 {
			t.Fatalf("blank cells changed something: %+v", r)
		}
		if out, err := gitOut(dir, "fsck", "--strict", "--no-dangling", "--no-progress"); err != nil || out != "" {
			t.Fatal(out, err)
		}
	})
}

// drawPart fills in a row with what a restorer may find and do.
func drawPart(t *rapid.T, g grid, row []string, i int) {
	put := func(key, text string) { row[g.at(key)] = text }
	found := rapid.SampledFrom([]string{"failed", "degraded", "ok", "in-service", "untested"}).Draw(t, "found")
	action := rapid.SampledFrom([]string{"replaced", "cleaned", "reworked", "left", "pending"}).Draw(t, "action")
	put("found", found)
	if found == "failed" || found == "degraded" {
		put("mode", rapid.SampledFrom([]string{"short", "open, burnt", "leakage", "noise", "intermittent"}).Draw(t, "mode"))
		put("fault", rapid.SampledFrom([]string{"", "F1", "F1, F2"}).Draw(t, "fault"))
	}
	put("how", rapid.SampledFrom([]string{"", "in-circuit", "out-of-circuit", "visual"}).Draw(t, "how"))
	put("action", action)
	if g.get(row, "ref") == "" {
		put("count", fmt.Sprint(rapid.IntRange(1, 12).Draw(t, "count")))
	}
	if action == "replaced" {
		put("new value", rapid.SampledFrom([]string{"10 uF", "2u2", "4,7 uF", "4k7", "0.1 uF"}).Draw(t, "value"))
		put("new rating", rapid.SampledFrom([]string{"", "63 V"}).Draw(t, "rating"))
		put("new source", rapid.SampledFrom([]string{"", "used", "old-stock"}).Draw(t, "source"))
	}
	note := rapid.SampledFrom([]string{"", "plain", "with, comma", `says "hm"`, "two\nlines", "'=1+1", "'-9 V side", "'@home", "'+", "1974", "ö µ Ω", "x;y\tz", "'t is worn"}).Draw(t, "note")
	if note != "" && i%2 == 0 {
		note += fmt.Sprint(" ", i) // so that not all rows fall into one line
	}
	put("note", note)
}

// BenchmarkImportSheet takes in the worksheet of 120 positions that a spreadsheet program
// saved, from opening the ledger to the commit. The bar is 2 s.
func BenchmarkImportSheet(b *testing.B) {
	bench := newBench(b)
	for _, f := range []string{"day.xlsx", "day.csv"} {
		b.Run(f, func(b *testing.B) {
			for b.Loop() {
				b.StopTimer()
				dir := filepath.Join(b.TempDir(), "ledger")
				if err := os.CopyFS(dir, os.DirFS(bench)); err != nil {
					b.Fatal(err)
				}
				b.StartTimer()
				if r := imported(b, dir, filepath.Join(sheetDir, "spreadsheet-program", f)); len(r.New) == 0 {
					b.Fatal("nothing was imported")
				}
				b.StopTimer()
				os.RemoveAll(dir)
				b.StartTimer()
			}
		})
	}
}

// A column left empty in every row is one warning, not one a row.
func TestImportTellsTheSameOnce(t *testing.T) {
	dir := newBench(t)
	sheet := filepath.Join(t.TempDir(), "levels.csv")
	text := "section,point,unit,as-found\n,first voltage,V,1\n,second voltage,V,2\n,third voltage,V,3\n"
	if err := os.WriteFile(sheet, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	_, errs, code := inside(t, dir, "import", "--yes", sheet)
	if code != 0 || strings.Count(errs, "the test instrument for ") != 1 || !strings.Contains(errs, "the same: D3, D4\n") {
		t.Errorf("code %d, told:\n%s", code, errs)
	}
}
