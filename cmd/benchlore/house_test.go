package main

import (
	"errors"
	"go/build"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// mayImport says, for each of our packages, which of our packages it imports and
// why it may. Imports point one way: cmd, examples, reports, ledger, schema. A new
// package is a new row; a row that nothing needs any more fails too.
var mayImport = map[string]struct{ imports, why string }{
	"cmd/bars":             {"examples/synth ledger reports/lifedata", "it measures synthetic ledgers and the statistics"},
	"cmd/coverage":         {"examples/synth reports/lifedata reports/reliability schema schema/unit", "it holds intervals against a known truth"},
	"cmd/benchlore":        {"cmd/benchlore/prompt examples ledger ledger/gitstore ledger/gitstore/config ledger/partslist ledger/photo ledger/proof ledger/slate ledger/worksheet reports/advert reports/label reports/page reports/provenance reports/reliability reports/worklist schema schema/entry schema/form schema/pattern schema/refs schema/unit", "it parses the command line, calls and prints"},
	"cmd/mkledger":         {"examples/synth", "it writes synthetic ledgers"},
	"cmd/benchlore/prompt": {"schema schema/entry schema/form schema/unit", "it asks at the terminal and stores nothing: no ledger"},

	"examples":       {"ledger ledger/gitstore schema schema/edtf schema/unit", "the example ledger is made by the ledger"},
	"examples/synth": {"ledger ledger/gitstore ledger/gitstore/object ledger/gitstore/pack schema schema/edtf schema/refs schema/remedy schema/unit", "large ledgers are written as packs"},

	"reports/internal/benchtest": {"schema schema/unit", "units for the tests of reports"},
	"reports/internal/pagetest":  {"", "reads pages in tests"},
	"reports/advert":             {"reports/page reports/provenance schema schema/refs schema/unit", "a sale's text, sentence by sentence, from a report and its unit"},
	"cmd/verdictpage":            {"", "it builds the page that checks packets, and embeds it"},
	"cmd/verdictpage/checker":    {"ledger/proof reports/provenance", "the verifier in a browser, and page one's facts"},
	"reports/label":              {"ledger/proof reports/page reports/provenance schema", "a label is page one in small"},
	"reports/lifedata":           {"", "statistics know nothing of instruments"},
	"reports/page":               {"schema schema/pattern schema/refs", "it sets pages and knows no ledger"},
	"reports/provenance":         {"ledger ledger/proof reports/page schema schema/pattern schema/quantity schema/refs schema/unit", "a unit's report, from its ledger"},
	"reports/reliability":        {"ledger reports/lifedata reports/page schema schema/edtf schema/refs schema/unit", "what fails, by the statistics"},
	"reports/worklist":           {"ledger ledger/worksheet reports/page schema schema/pattern schema/refs schema/unit", "what is open, due, missing, to be ordered"},

	"ledger":                 {"ledger/disclosure ledger/gitstore ledger/gitstore/config ledger/gitstore/index ledger/gitstore/object ledger/gitstore/sshkey ledger/proof ledger/proof/gitobj ledger/proof/growth schema schema/entry schema/pattern schema/refs schema/unit", "it keeps records in git: no reports, no commands"},
	"ledger/disclosure":      {"schema/pattern", "it looks into any file for what must not travel"},
	"ledger/gitstore":        {"ledger/gitstore/config ledger/gitstore/index ledger/gitstore/object ledger/gitstore/pack ledger/gitstore/sshkey", "git itself: it knows no records"},
	"ledger/gitstore/config": {"ledger/gitstore/object", "git's configuration"},
	"ledger/gitstore/index":  {"ledger/gitstore/object", "git's index"},
	"ledger/gitstore/object": {"", "git's objects as bytes"},
	"ledger/gitstore/pack":   {"ledger/gitstore/object", "git's packs"},
	"ledger/gitstore/sshkey": {"ledger/gitstore/config", "keys and signatures"},
	"ledger/partslist":       {"schema schema/pattern schema/quantity schema/refs", "bytes of a list in, what they say out: no ledger"},
	"ledger/photo":           {"schema", "a picture in, a small upright one out"},
	"ledger/proof":           {"ledger/gitstore/object ledger/gitstore/pack ledger/proof/gitobj ledger/proof/growth schema schema/pattern schema/unit", "bytes in, verdict out: no ledger, no report, no network"},
	"ledger/proof/gitobj":    {"ledger/gitstore/object schema/pattern", "strict readers of git's objects"},
	"ledger/proof/growth":    {"ledger/gitstore/object ledger/proof/gitobj schema schema/pattern", "the rules of histories, over bytes"},
	"ledger/slate":           {"", "codes in photographs: their text, and reading them"},
	"ledger/testutil":        {"", "what tests of several packages share"},
	"ledger/worksheet":       {"ledger schema schema/entry schema/pattern schema/quantity schema/refs schema/remedy schema/unit", "columns, writing and reading back; it changes the ledger through Change"},

	"schema":          {"schema/edtf schema/pattern schema/quantity schema/refs schema/remedy", "what a file may say: no git, no ledger"},
	"schema/edtf":     {"schema/pattern schema/remedy", "a small language"},
	"schema/entry":    {"schema schema/pattern schema/quantity schema/refs schema/unit", "what a typed line means for a unit"},
	"schema/form":     {"schema schema/pattern schema/quantity schema/refs schema/remedy schema/unit", "what is asked for a record"},
	"schema/quantity": {"schema/pattern schema/remedy", "a small language"},
	"schema/refs":     {"schema/pattern schema/remedy", "a small language"},
	"schema/remedy":   {"", "errors that keep what is wrong apart from what to write"},

	"schema/pattern": {"", "regular expressions, compiled when they are used"},
	"schema/unit":    {"schema schema/edtf schema/quantity schema/refs", "what one unit's records say together"},
}

// mostFiles is how many Go files, tests aside, a folder may hold before it needs
// another package.
const mostFiles = 25

func TestHouse(t *testing.T) {
	const module = "benchlore/"
	root := filepath.Join("..", "..")
	seen := map[string]bool{}
	err := filepath.WalkDir(root, func(dir string, e fs.DirEntry, err error) error {
		if err != nil || !e.IsDir() {
			return err
		}
		if name := e.Name(); dir != root && (strings.HasPrefix(name, ".") || name == "testdata") {
			return fs.SkipDir
		}
		files, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil {
			return err
		}
		files = slices.DeleteFunc(files, func(f string) bool { return strings.HasSuffix(f, "_test.go") })
		if len(files) == 0 {
			return nil
		}
		name := filepath.ToSlash(strings.TrimPrefix(dir, root+string(filepath.Separator)))
		if len(files) > mostFiles {
			t.Errorf("%s holds %d Go files that are no tests; move some into a package of their own: %d are allowed", name, len(files), mostFiles)
		}
		row, ok := mayImport[name]
		if !ok {
			t.Errorf("%s is not in mayImport: add a row that says what it imports and why", name)
			return nil
		}
		seen[name] = true
		may, used := strings.Fields(row.imports), map[string]bool{}
		for _, goos := range []string{"linux", "windows", "darwin", "js"} {
			context := build.Default
			context.GOOS = goos
			if goos == "js" {
				context.GOARCH = "wasm"
			}
			p, err := context.ImportDir(dir, 0)
			var none *build.NoGoError // a package for some systems only
			if errors.As(err, &none) {
				continue
			}
			if err != nil {
				return err
			}
			for _, i := range p.Imports {
				own, ok := strings.CutPrefix(i, module)
				if !ok || used[own] {
					continue
				}
				used[own] = true
				if !slices.Contains(may, own) {
					t.Errorf("%s imports %s, which its row does not allow: %s", name, own, row.why)
				}
			}
		}
		for _, own := range may {
			if !used[own] {
				t.Errorf("%s no longer imports %s: take it out of its row", name, own)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for name := range mayImport {
		if _, err := os.Stat(filepath.Join(root, filepath.FromSlash(name))); err != nil || !seen[name] {
			t.Errorf("mayImport has a row for %s, which is no package", name)
		}
	}
}
