package schema

import (
	"bytes"
	"reflect"
	"regexp"
	"strings"
	"testing"
)

// Every key that the decoder knows stands in the reference, under its own
// heading, with what is said of it; and nothing else does.
func TestReferenceHasEveryKey(t *testing.T) {
	text := string(Reference())
	if !bytes.Equal(Reference(), Reference()) {
		t.Error("two calls differ")
	}
	sections := map[string]string{}
	for _, s := range regexp.MustCompile(`(?m)^#{2,3} `).Split(text, -1)[1:] {
		head, body, _ := strings.Cut(s, "\n")
		sections[head] = body
	}
	seen := map[reflect.Type]bool{}
	var check func(head string, typ reflect.Type, skip map[string]bool)
	check = func(head string, typ reflect.Type, skip map[string]bool) {
		body, ok := sections[head]
		if !ok {
			t.Errorf("no heading %q", head)
			return
		}
		rows := strings.Count(body, "\n| `")
		n := 0
		for _, f := range fieldList(typ) {
			if f.Tables() && !seen[f.element()] {
				seen[f.element()] = true
				check(f.element().Name(), f.element(), nil)
			}
			if skip[f.Key] {
				continue
			}
			n++
			at := strings.Index(body, "\n| `"+f.Key+"` | ")
			if at < 0 {
				t.Errorf("%s: no key %s", head, f.Key)
				continue
			}
			line, _, _ := strings.Cut(body[at+1:], "\n")
			if f.Need != strings.Contains(line, "*needed.*") {
				t.Errorf("%s: %s", head, line)
			}
			for _, w := range f.Words() {
				if !strings.Contains(line, w) {
					t.Errorf("%s: %s lacks %s", head, f.Key, w)
				}
			}
			if strings.Count(strings.ReplaceAll(line, `\|`, ""), "|") != 4 {
				t.Errorf("%s: not three cells: %s", head, line)
			}
		}
		if n != rows {
			t.Errorf("%s: %d keys and %d rows", head, n, rows)
		}
	}
	common := map[string]bool{}
	for _, f := range FieldsOf(Common{}) {
		common[f.Key] = true
	}
	check("Keys of every record", reflect.TypeFor[Common](), nil)
	for _, k := range Kind("").Words() {
		check("Record: "+k, reflect.TypeOf(New(Kind(k))).Elem(), common)
		if Kind(k).About() == "" {
			t.Errorf("nothing is said of %s", k)
		}
	}
	for head, v := range map[string]any{"File: instrument.toml": Instrument{}, "File: models/MODEL.toml": Model{}, "File: lots/LOT.toml": Lot{}, "File: shop.toml": Shop{},
		"File: families.toml": Families{}, "File: books/MODEL/TAG/DATE-book-xxxx.toml": Book{}, "File: private/customers.toml": Customers{}} {
		check(head, reflect.TypeOf(v), nil)
	}
	for _, link := range regexp.MustCompile(`\]\(#([a-z]+)\)`).FindAllStringSubmatch(text, -1) {
		found := false
		for head := range sections {
			found = found || strings.ToLower(head) == link[1]
		}
		if !found {
			t.Errorf("a link to nowhere: %s", link[1])
		}
	}
}
