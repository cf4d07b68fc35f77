package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	shellquote "github.com/kballard/go-shellquote"

	"benchlore/examples"
	"benchlore/schema/quantity"
)

// wrongUnit is the unit that the lines of testdata/wrong are about, and wrongDay the
// day they are typed on.
const (
	wrongUnit = "astrella-61/a61-18052"
	wrongDay  = "2026-06-15T10:00:00Z"
)

// wrongCase is a row of testdata/wrong/lines.txt.
type wrongCase struct {
	line                     int
	where, typed, says, then string
}

func wrongCases(t *testing.T) []wrongCase {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "wrong", "lines.txt"))
	if err != nil {
		t.Fatal(err)
	}
	var out []wrongCase
	for i, row := range strings.Split(string(data), "\n") {
		if row == "" || row[0] == '#' {
			continue
		}
		cols := strings.Split(row, " | ")
		if len(cols) != 4 {
			t.Fatalf("lines.txt:%d: %d columns", i+1, len(cols))
		}
		out = append(out, wrongCase{i + 1, cols[0], cols[1], cols[2], cols[3]})
	}
	if len(out) < 150 {
		t.Fatalf("%d cases", len(out))
	}
	if os.Getenv("BENCHLORE_TEST_LONG") == "" { // each takes two commands; CI runs all
		var some []wrongCase
		for i := 0; i < len(out); i += 20 {
			some = append(some, out[i])
		}
		return some
	}
	return out
}

// wrongLedger is the example ledger with the unit on the bench, Maren at it.
func wrongLedger(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "ledger")
	l, err := examples.Replay(dir, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := l.SetOnBench(wrongUnit); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(filepath.Join(dir, ".git", "config"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString("[user]\n\tname = Maren Wickstead\n\temail = maren@halden-street.example\n"); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

func wrongHooks(t *testing.T) hooks {
	now, err := time.Parse(time.RFC3339, wrongDay)
	if err != nil {
		t.Fatal(err)
	}
	return hooks{now: func() time.Time { return now }}
}

// say runs a command line without storing anything and returns the exit code, what was
// printed, and what of it went to standard error.
func say(t *testing.T, dir, line string) (code int, all, errs string) {
	t.Helper()
	args, err := shellquote.Split(line)
	if err != nil {
		t.Fatal(err)
	}
	switch args[0] {
	case "part", "new", "record":
		args = append([]string{args[0], "--dry-run"}, args[1:]...)
		if args[0] == "record" && len(args) > 2 {
			args = append(append([]string{"record", args[2]}, "--dry-run"), args[3:]...)
		}
	}
	var out, errw bytes.Buffer
	code = run(append([]string{"--ledger", dir}, args...), strings.NewReader(""), &out, &errw, wrongHooks(t))
	return code, out.String() + errw.String(), errw.String()
}

var (
	blanks   = regexp.MustCompile(`\s+`)
	measured = regexp.MustCompile(`[+-]?\d[\d.,]*(?:[RKkMpnuµ]\d+)?\s?[a-zA-Zµ%]*`)
)

// plainText is a text in small letters on one line, without quotation marks.
func plainText(s string) string {
	return blanks.ReplaceAllString(strings.NewReplacer(`"`, "", "“", "", "”", "", "'", "").Replace(strings.ToLower(s)), " ")
}

// holds reports whether a text has a word, quantities however they are written.
func holds(text, word string) bool {
	if strings.Contains(plainText(text), plainText(word)) {
		return true
	}
	want, err := quantity.Parse(strings.TrimSpace(word))
	if err != nil {
		return false
	}
	for _, m := range measured.FindAllString(text, -1) {
		for _, s := range []string{m, strings.Fields(m)[0]} {
			if q, err := quantity.Parse(s); err == nil {
				if c, err := q.Cmp(want); err == nil && c == 0 {
					return true
				}
			}
		}
	}
	return false
}

// judge holds an answer against what a row says of it.
func (c wrongCase) judge(t *testing.T, code int, answer string) {
	t.Helper()
	if c.says != "-" {
		for _, word := range strings.Split(c.says, ";") {
			if word = strings.TrimSpace(word); !holds(answer, word) {
				t.Errorf("the answer to %s lacks %q:\n%s", c.typed, word, answer)
			}
		}
	}
	if strings.HasPrefix(c.then, "accepted as:") {
		if code != exitOK {
			t.Errorf("%s was not accepted (exit code %d):\n%s", c.typed, code, answer)
		}
	}
}

// Every wrong line gets an answer that names what is wrong in the words typed, and what
// is to be typed instead succeeds.
func TestWrongLines(t *testing.T) {
	longRound(t)
	dir := wrongLedger(t)
	for _, c := range wrongCases(t) {
		prefix := map[string]string{"part": "part ", "command": ""}
		lead, ok := prefix[c.where]
		if !ok {
			continue
		}
		t.Run(c.typed, func(t *testing.T) {
			code, answer, _ := say(t, dir, lead+c.typed)
			c.judge(t, code, answer)
			if strings.HasPrefix(c.then, "accepted as:") {
				return
			}
			if code, answer, errs := say(t, dir, lead+c.then); code != exitOK || strings.Contains(errs, "warning") && !strings.Contains(c.says, "replaced already") {
				t.Errorf("%s does not succeed (exit code %d):\n%s", c.then, code, answer)
			}
		})
	}
}

// sitLines types the lines of a sitting, ends it, and returns whether one was refused, and
// all that was said.
func sitLines(t *testing.T, dir, text string) (code int, answer string) {
	t.Helper()
	var out bytes.Buffer
	a := &app{in: strings.NewReader(""), out: &out, err: &out, hooks: wrongHooks(t), ledgerDir: dir}
	s := &sitting{a: a}
	if err := s.load(); err != nil {
		t.Fatal(err)
	}
	s.flags.unit = s.name
	for _, line := range strings.Split(text, " // ") {
		if line = strings.ReplaceAll(line, "<Esc>", ""); sittingEnds(line) {
			break
		}
		if err := s.take(line); err != nil {
			code = a.fail(err)
		}
	}
	return code, out.String()
}

// A sitting says what is wrong in the same way, and each line of the better one is taken.
func TestWrongSittings(t *testing.T) {
	longRound(t)
	base := wrongLedger(t)
	for _, c := range wrongCases(t) {
		if c.where != "sitting" {
			continue
		}
		t.Run(c.typed, func(t *testing.T) {
			fresh := func() string {
				dir := filepath.Join(t.TempDir(), "ledger")
				if err := os.CopyFS(dir, os.DirFS(base)); err != nil {
					t.Fatal(err)
				}
				return dir
			}
			code, answer := sitLines(t, fresh(), c.typed)
			c.judge(t, code, answer)
			if strings.HasPrefix(c.then, "accepted as:") {
				return
			}
			if code, answer := sitLines(t, fresh(), c.then); code != exitOK {
				t.Errorf("%s does not succeed (exit code %d):\n%s", c.then, code, answer)
			}
		})
	}
}

// cellForm is a cell with the place that it stands beside.
var cellForm = regexp.MustCompile(`^(.*) \((.*?) ?([A-Z]+[0-9]+)?\)$`)

// importCell imports a worksheet of one row with a cell of its own, without storing it.
func importCell(t *testing.T, dir, column, cell, section, ref string) (code int, answer string) {
	t.Helper()
	row := map[string]string{"instrument": wrongUnit, "section": section, "ref": ref, "found": "degraded", "mode": "drift", "action": "replaced", "new value": "like"}
	row[column] = cell
	if column == "new rating" {
		row["new value"] = map[string]string{"C1": "2200", "R2": "4R7"}[ref]
	}
	var heads, cells []string
	for _, h := range []string{"instrument", "section", "ref", "found", "mode", "action", "new value", "new rating", "date", "fault"} {
		if _, ok := row[h]; !ok && (h == "date" || h == "fault") {
			continue
		}
		heads, cells = append(heads, h), append(cells, `"`+row[h]+`"`)
	}
	file := filepath.Join(t.TempDir(), "caps.csv")
	if err := os.WriteFile(file, []byte(strings.Join(heads, ",")+"\n"+strings.Join(cells, ",")+"\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	code = run([]string{"--ledger", dir, "import", "--dry-run", file}, strings.NewReader(""), &out, &out, wrongHooks(t))
	return code, out.String()
}

// So does a cell of a worksheet.
func TestWrongCells(t *testing.T) {
	longRound(t)
	dir := wrongLedger(t)
	for _, c := range wrongCases(t) {
		column, ok := strings.CutPrefix(c.where, "sheet:")
		if !ok {
			continue
		}
		t.Run(column+" "+c.typed, func(t *testing.T) {
			m := cellForm.FindStringSubmatch(c.typed)
			if m == nil {
				t.Fatal(c.typed)
			}
			code, answer := importCell(t, dir, column, m[1], m[2], m[3])
			c.judge(t, code, answer)
			if strings.HasPrefix(c.then, "accepted as:") {
				return
			}
			if code, answer := importCell(t, dir, column, c.then, m[2], m[3]); code != exitOK {
				t.Errorf("%s does not succeed (exit code %d):\n%s", c.then, code, answer)
			}
		})
	}
}
