package schema

import (
	"fmt"
	"reflect"
	"sort"
	"strconv"
	"strings"

	"github.com/BurntSushi/toml"

	"benchlore/schema/pattern"
)

// Change is one field that differs between two versions of a file. Old or New
// is empty where the field was added or removed.
type Change struct {
	Path string `json:"path"` // part[3].new.rating, counted from 0
	Old  string `json:"old,omitempty"`
	New  string `json:"new,omitempty"`
}

// String gives the change in words.
func (c Change) String() string {
	switch {
	case c.Old == "":
		return fmt.Sprintf("%s: added %s", c.Path, c.New)
	case c.New == "":
		return fmt.Sprintf("%s: removed %s", c.Path, c.Old)
	}
	return fmt.Sprintf("%s: %s, was %s", c.Path, c.New, c.Old)
}

// Named gives changes the names people use in place of numbers of lines: state of
// fault F1 in place of fault[0].state. Lines without an id or a reference keep
// their number, counted from 1. before and after are what was compared.
func Named(changes []Change, before, after []byte) []Change {
	a, aerr := leaves(before)
	b, berr := leaves(after)
	if aerr != nil || berr != nil {
		return changes
	}
	out := make([]Change, len(changes))
	for i, c := range changes {
		out[i] = c
		tree := b
		if c.New == "" {
			tree = a // a line that went is counted there
		}
		out[i].Path = named(c.Path, tree)
	}
	return out
}

var lineOf = pattern.New(`^(\w+)\[(\d+)\]\.?(.*)$`)

func named(at string, tree map[string]any) string {
	m := lineOf.FindStringSubmatch(at)
	if m == nil {
		return at
	}
	n, err := strconv.Atoi(m[2])
	if err != nil {
		return at
	}
	name := fmt.Sprintf("%s %d", m[1], n+1)
	if lines := list(tree[m[1]]); n < len(lines) {
		if line, ok := lines[n].(map[string]any); ok {
			for _, key := range []string{"id", "ref", "point", "name"} {
				if s, ok := line[key].(string); ok && s != "" {
					name = m[1] + " " + s
					break
				}
			}
		}
	}
	if m[3] == "" {
		return name
	}
	return m[3] + " of " + name
}

// Compare lists field by field how two versions of a TOML file differ, in
// order of path. Comments, order of keys and notation do not count. Elements
// of a list are matched by content before position, so that one line added at
// the front of forty is one change. Corrections are left out: they are the
// reason, not the change.
func Compare(before, after []byte) ([]Change, error) {
	a, err := leaves(before)
	if err != nil {
		return nil, fmt.Errorf("the earlier version: %w", err)
	}
	b, err := leaves(after)
	if err != nil {
		return nil, fmt.Errorf("the later version: %w", err)
	}
	delete(a, "correction")
	delete(b, "correction")
	var out []Change
	compareTables(a, b, "", &out)
	return out, nil
}

func leaves(data []byte) (map[string]any, error) {
	tree := map[string]any{}
	_, err := toml.Decode(string(data), &tree)
	wholeNumbers(tree)
	return tree, err
}

// wholeNumbers makes 1500.0 the same as 1500.
func wholeNumbers(v any) any {
	switch v := v.(type) {
	case float64:
		if n := int64(v); float64(n) == v {
			return n
		}
	case map[string]any:
		for k, e := range v {
			v[k] = wholeNumbers(e)
		}
	case []map[string]any:
		for _, e := range v {
			wholeNumbers(e)
		}
	case []any:
		for i, e := range v {
			v[i] = wholeNumbers(e)
		}
	}
	return v
}

func compareTables(a, b map[string]any, at string, out *[]Change) {
	keys := map[string]bool{}
	for k := range a {
		keys[k] = true
	}
	for k := range b {
		keys[k] = true
	}
	sorted := make([]string, 0, len(keys))
	for k := range keys {
		sorted = append(sorted, k)
	}
	sort.Strings(sorted)
	for _, k := range sorted {
		compareValues(a[k], b[k], join(at, k), out)
	}
}

func compareValues(a, b any, at string, out *[]Change) {
	if reflect.DeepEqual(a, b) {
		return
	}
	ma, aok := a.(map[string]any)
	mb, bok := b.(map[string]any)
	if aok && bok {
		compareTables(ma, mb, at, out)
		return
	}
	la, lb := list(a), list(b)
	// mode = "short" is mode = ["short"].
	if la != nil && lb == nil && b != nil {
		lb = []any{b}
	} else if lb != nil && la == nil && a != nil {
		la = []any{a}
	}
	if (la != nil || a == nil) && (lb != nil || b == nil) && (la != nil || lb != nil) {
		compareLists(la, lb, at, out)
		return
	}
	*out = append(*out, Change{Path: at, Old: text(a), New: text(b)})
}

// compareLists drops what both lists share, as a longest common subsequence,
// and compares the rest pairwise.
func compareLists(a, b []any, at string, out *[]Change) {
	n, m := len(a), len(b)
	common := make([][]int, n+1)
	for i := range common {
		common[i] = make([]int, m+1)
	}
	for i := n - 1; i >= 0; i-- {
		for j := m - 1; j >= 0; j-- {
			if reflect.DeepEqual(a[i], b[j]) {
				common[i][j] = common[i+1][j+1] + 1
			} else {
				common[i][j] = max(common[i+1][j], common[i][j+1])
			}
		}
	}
	var oldAt, newAt []int
	flush := func() {
		for k := 0; k < len(oldAt) || k < len(newAt); k++ {
			switch {
			case k >= len(newAt):
				*out = append(*out, Change{Path: index(at, oldAt[k]), Old: text(a[oldAt[k]])})
			case k >= len(oldAt):
				*out = append(*out, Change{Path: index(at, newAt[k]), New: text(b[newAt[k]])})
			default:
				compareValues(a[oldAt[k]], b[newAt[k]], index(at, newAt[k]), out)
			}
		}
		oldAt, newAt = nil, nil
	}
	i, j := 0, 0
	for i < n || j < m {
		switch {
		case i < n && j < m && reflect.DeepEqual(a[i], b[j]):
			flush()
			i, j = i+1, j+1
		case j < m && (i == n || common[i][j+1] >= common[i+1][j]):
			newAt = append(newAt, j)
			j++
		default:
			oldAt = append(oldAt, i)
			i++
		}
	}
	flush()
}

func index(at string, i int) string { return fmt.Sprintf("%s[%d]", at, i) }

// list returns a TOML array as a slice, nil for anything else.
func list(v any) []any {
	switch v := v.(type) {
	case []any:
		return v
	case []map[string]any:
		out := make([]any, len(v))
		for i, m := range v {
			out[i] = m
		}
		return out
	}
	return nil
}

// text gives a TOML value in one line.
func text(v any) string {
	switch v := v.(type) {
	case nil:
		return ""
	case string:
		return fmt.Sprintf("%q", v)
	case map[string]any:
		keys := make([]string, 0, len(v))
		for k := range v {
			keys = append(keys, k)
		}
		sort.Strings(keys)
		parts := make([]string, len(keys))
		for i, k := range keys {
			parts[i] = k + " = " + text(v[k])
		}
		return "{" + strings.Join(parts, ", ") + "}"
	case interface{ Format(string) string }: // time.Time, a local date
		return v.Format("2006-01-02")
	}
	if l := list(v); l != nil {
		parts := make([]string, len(l))
		for i, e := range l {
			parts[i] = text(e)
		}
		return "[" + strings.Join(parts, ", ") + "]"
	}
	return fmt.Sprint(v)
}
