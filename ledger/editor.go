package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"benchlore/schema"
)

const (
	// editorFile tells editors that know TOML (through the taplo language server)
	// which schema a file goes by. It is this copy's own affair: git is told to
	// pass it over, and the schemas lie where no ledger file ever is.
	editorFile    = ".taplo.toml"
	editorSchemas = ".git/benchlore/schemas"
	excludeFile   = ".git/info/exclude"
	editorMark    = "# Written by benchlore schema --wire; git passes it over.\n"
)

// editorRules are which files go by which schema.
func editorRules() [][2]string {
	rules := [][2]string{
		{"shop.toml", "shop"}, {"families.toml", "families"}, {"models/*.toml", "model"}, {"lots/*.toml", "lot"},
		{"private/customers.toml", "customers"}, {"books/*/*/*.toml", "book"},
		{"instruments/*/*/instrument.toml", "instrument"}, {"instruments/*/*/model.toml", "model"},
	}
	for _, k := range schema.Kind("").Words() {
		rules = append(rules, [2]string{"instruments/*/*/*-" + k + "-????.toml", k})
	}
	return rules
}

// WireEditors lets editors complete and check the files of this copy of the
// ledger. Nothing of it is recorded. A configuration somebody else wrote is left
// alone: *UsageError.
func (l *Ledger) WireEditors() error {
	have, err := l.root.ReadFile(editorFile)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err == nil && !bytes.HasPrefix(have, []byte(editorMark)) {
		return &UsageError{editorFile + " is there already, and not by this program", "move it away, or write the schemas with: benchlore schema DIR, and name them in it"}
	}
	if l.opt.DryRun {
		return nil
	}
	if err := l.root.MkdirAll(editorSchemas, 0o777); err != nil {
		return err
	}
	for name, data := range schema.JSONSchemas() {
		if err := l.root.WriteFile(path.Join(editorSchemas, name), data, 0o666); err != nil {
			return err
		}
	}
	if err := l.exclude("/" + editorFile); err != nil {
		return err
	}
	var b strings.Builder
	b.WriteString(editorMark)
	for _, r := range editorRules() {
		fmt.Fprintf(&b, "\n[[rule]]\ninclude = [%q]\n\n[rule.schema]\nenabled = true\npath = %q\n", r[0], editorSchemas+"/"+r[1]+".schema.json")
	}
	return l.root.WriteFile(editorFile, []byte(b.String()), 0o666)
}

// exclude tells git to pass over a file in this copy.
func (l *Ledger) exclude(pattern string) error {
	data, err := l.root.ReadFile(excludeFile)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if slices.Contains(strings.Split(string(data), "\n"), pattern) {
		return nil
	}
	if len(data) > 0 && data[len(data)-1] != '\n' {
		data = append(data, '\n')
	}
	if err := l.root.MkdirAll(path.Dir(excludeFile), 0o777); err != nil {
		return err
	}
	return l.replace(excludeFile, append(data, pattern+"\n"...))
}
