package schema

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"sort"
	"strconv"
	"strings"

	"github.com/BurntSushi/toml"
	"github.com/pelletier/go-toml/v2/unstable"
)

// Facts names the facts in which two versions of a file differ, as a
// [Correction] lists them: by keys with dots between them, the lines of a list
// counted from 1 (part[14].new.value). Corrections are no facts; nor are comments,
// the order of keys and how a value is written.
type Facts struct {
	Changed []string // with another value now; counted in the later version
	Added   []string // were not there: with all below them; counted in the later version
	Removed []string // were there: with all below them; counted in the earlier version
}

// None reports that no fact is named.
func (f Facts) None() bool { return len(f.Changed)+len(f.Added)+len(f.Removed) == 0 }

// Facts are the facts that the correction names.
func (c Correction) Facts() Facts { return Facts{c.Changed, c.Added, c.Removed} }

// Name lists facts in the correction, in place of what it listed before.
func (c *Correction) Name(f Facts) { c.Changed, c.Added, c.Removed = f.Changed, f.Added, f.Removed }

// Version is one version of a file, read for comparison.
type Version struct {
	Corrections []Correction
	facts       map[string]any
}

// ReadVersion reads a version of a file of an instrument's folder. It does not
// ask whether the file fits its kind.
func ReadVersion(data []byte) (*Version, error) {
	v := &Version{facts: map[string]any{}}
	if len(data) > MaxSize {
		return nil, fmt.Errorf("it has %d bytes; nothing somebody wrote at a bench has more than %d", len(data), MaxSize)
	}
	if _, err := toml.Decode(string(data), &v.facts); err != nil {
		return nil, err
	}
	if _, ok := v.facts["correction"]; !ok {
		return v, nil
	}
	delete(v.facts, "correction")
	var own struct {
		Corrections []Correction `toml:"correction"`
	}
	md, err := toml.Decode(string(data), &own)
	if err != nil {
		return nil, err
	}
	for _, k := range md.Undecoded() {
		if len(k) > 1 && k[0] == "correction" {
			return nil, fmt.Errorf("a correction has the key %.80q, which is unknown", k.String())
		}
	}
	v.Corrections = own.Corrections
	return v, nil
}

// Word is the text of a plain key, "" where there is none.
func (v *Version) Word(key string) string {
	s, _ := v.facts[key].(string)
	return s
}

// Number is a whole number of a plain key.
func (v *Version) Number(key string) (n int64, ok bool) {
	n, ok = v.facts[key].(int64)
	return n, ok
}

// Day is the date of a plain key.
func (v *Version) Day(key string) (d Date, ok bool) {
	ok = v.facts[key] != nil && d.UnmarshalTOML(v.facts[key]) == nil
	return d, ok
}

// Words are the texts of one key in the lines of a list: Words("photo", "file").
func (v *Version) Words(list, key string) []string {
	var out []string
	for _, e := range listOf(v.facts[list]) {
		if line, ok := e.(map[string]any); ok {
			s, _ := line[key].(string)
			out = append(out, s)
		}
	}
	return out
}

// FactsBetween names the facts in which two versions differ. Lines of a list are
// matched by content before position, so that one line put in front of forty is
// one fact.
func FactsBetween(before, after *Version) Facts {
	var f Facts
	f.tables(before.facts, after.facts, "", "")
	sort.Strings(f.Changed)
	sort.Strings(f.Added)
	sort.Strings(f.Removed)
	return f
}

func (f *Facts) tables(a, b map[string]any, atA, atB string) {
	for k, x := range a {
		y, ok := b[k]
		if !ok {
			f.Removed = append(f.Removed, under(atA, k))
			continue
		}
		f.values(x, y, under(atA, k), under(atB, k))
	}
	for k := range b {
		if _, ok := a[k]; !ok {
			f.Added = append(f.Added, under(atB, k))
		}
	}
}

func (f *Facts) values(a, b any, atA, atB string) {
	if reflect.DeepEqual(a, b) {
		return
	}
	ma, aok := a.(map[string]any)
	mb, bok := b.(map[string]any)
	la, lb := listOf(a), listOf(b)
	switch {
	case aok && bok:
		f.tables(ma, mb, atA, atB)
	case la != nil && lb != nil:
		f.lists(la, lb, atA, atB)
	default:
		f.Changed = append(f.Changed, atB)
	}
}

// lists leaves out what both lists have at their ends and, between, what they
// share as a longest common subsequence; the rest is matched by position.
func (f *Facts) lists(a, b []any, atA, atB string) {
	from, n, m := 0, len(a), len(b)
	for from < n && from < m && reflect.DeepEqual(a[from], b[from]) {
		from++
	}
	for n > from && m > from && reflect.DeepEqual(a[n-1], b[m-1]) {
		n, m = n-1, m-1
	}
	const most = 4 << 20 // pairs; beyond, lines are matched by position
	if (n-from)*(m-from) > most {
		for i := from; i < min(n, m); i++ {
			f.values(a[i], b[i], nth(atA, i), nth(atB, i))
		}
		for i := m; i < n; i++ {
			f.Removed = append(f.Removed, nth(atA, i))
		}
		for j := n; j < m; j++ {
			f.Added = append(f.Added, nth(atB, j))
		}
		return
	}
	same := make([][]bool, n-from)
	common := make([][]int32, n-from+1)
	common[n-from] = make([]int32, m-from+1)
	for i := n - 1; i >= from; i-- {
		same[i-from], common[i-from] = make([]bool, m-from), make([]int32, m-from+1)
		for j := m - 1; j >= from; j-- {
			if same[i-from][j-from] = reflect.DeepEqual(a[i], b[j]); same[i-from][j-from] {
				common[i-from][j-from] = common[i-from+1][j-from+1] + 1
			} else {
				common[i-from][j-from] = max(common[i-from+1][j-from], common[i-from][j-from+1])
			}
		}
	}
	i, j := from, from // the next ones
	oldAt, newAt := from, from
	flush := func() {
		for oldAt < i && newAt < j {
			f.values(a[oldAt], b[newAt], nth(atA, oldAt), nth(atB, newAt))
			oldAt, newAt = oldAt+1, newAt+1
		}
		for ; oldAt < i; oldAt++ {
			f.Removed = append(f.Removed, nth(atA, oldAt))
		}
		for ; newAt < j; newAt++ {
			f.Added = append(f.Added, nth(atB, newAt))
		}
	}
	for i < n || j < m {
		switch {
		case i < n && j < m && same[i-from][j-from]:
			flush()
			i, j = i+1, j+1
			oldAt, newAt = i, j
		case j < m && (i == n || common[i-from][j-from+1] >= common[i-from+1][j-from]):
			j++
		default:
			i++
		}
	}
	flush()
}

// FactsError says where two versions differ otherwise than the facts named say.
type FactsError struct {
	Unnamed []string // facts that differ and are not named
	Idle    []string // named, and not different
}

func (e *FactsError) Error() string {
	var parts []string
	if len(e.Unnamed) > 0 {
		parts = append(parts, "it does not name "+few(e.Unnamed)+", which is different now")
	}
	if len(e.Idle) > 0 {
		parts = append(parts, "it names "+few(e.Idle)+", where nothing is different")
	}
	return strings.Join(parts, "; ")
}

func few(list []string) string {
	const most = 5
	text := strings.Join(list[:min(len(list), most)], ", ")
	if n := len(list) - most; n > 0 {
		text += fmt.Sprintf(" and %d more", n)
	}
	if len(text) > 400 {
		text = text[:400] + "..."
	}
	return strings.ToValidUTF8(text, "")
}

// Check holds two versions against the facts named. It asks for no particular
// way to match the lines of a list: what Removed names is struck from the earlier
// version and what Added names from the later one, and then both have the same
// shape and differ in the values that Changed names and in no other.
// Errors: *FactsError.
func (f Facts) Check(before, after *Version) error {
	c := factCheck{changed: names(f.Changed), added: names(f.Added), removed: names(f.Removed)}
	c.tables(before.facts, after.facts, "", "")
	idle := map[string]bool{}
	for _, set := range []map[string]bool{c.changed, c.added, c.removed} {
		for p, used := range set {
			if !used {
				idle[p] = true
			}
		}
	}
	for _, list := range [][]string{f.Changed, f.Added, f.Removed} {
		seen := map[string]bool{}
		for _, p := range list {
			if seen[p] {
				idle[p] = true
			}
			seen[p] = true
		}
	}
	if len(c.unnamed) == 0 && len(idle) == 0 {
		return nil
	}
	e := &FactsError{Unnamed: c.unnamed}
	for p := range idle {
		e.Idle = append(e.Idle, p)
	}
	sort.Strings(e.Unnamed)
	sort.Strings(e.Idle)
	return e
}

func names(list []string) map[string]bool {
	set := make(map[string]bool, len(list))
	for _, p := range list {
		set[p] = false
	}
	return set
}

type factCheck struct {
	changed, added, removed map[string]bool // true: met
	unnamed                 []string
}

// take reports whether a set has a path, and notes that it was met.
func take(set map[string]bool, p string) bool {
	_, ok := set[p]
	if ok {
		set[p] = true
	}
	return ok
}

func (c *factCheck) tables(a, b map[string]any, atA, atB string) {
	for k, x := range a {
		y, ok := b[k]
		if !ok {
			if p := under(atA, k); !take(c.removed, p) {
				c.unnamed = append(c.unnamed, p)
			}
			continue
		}
		c.values(x, y, under(atA, k), under(atB, k))
	}
	for k := range b {
		if _, ok := a[k]; !ok {
			if p := under(atB, k); !take(c.added, p) {
				c.unnamed = append(c.unnamed, p)
			}
		}
	}
}

func (c *factCheck) values(a, b any, atA, atB string) {
	if reflect.DeepEqual(a, b) {
		return
	}
	ma, aok := a.(map[string]any)
	mb, bok := b.(map[string]any)
	la, lb := listOf(a), listOf(b)
	switch {
	case aok && bok:
		c.tables(ma, mb, atA, atB)
	case la != nil && lb != nil:
		c.lists(la, lb, atA, atB)
	case !take(c.changed, atB):
		c.unnamed = append(c.unnamed, atB)
	}
}

func (c *factCheck) lists(a, b []any, atA, atB string) {
	i, j := 0, 0
	for i < len(a) || j < len(b) {
		switch {
		case i < len(a) && take(c.removed, nth(atA, i)):
			i++
		case j < len(b) && take(c.added, nth(atB, j)):
			j++
		case i == len(a):
			c.unnamed = append(c.unnamed, nth(atB, j))
			j++
		case j == len(b):
			c.unnamed = append(c.unnamed, nth(atA, i))
			i++
		default:
			c.values(a[i], b[j], nth(atA, i), nth(atB, j))
			i, j = i+1, j+1
		}
	}
}

// Blanks lists the facts that a later version of an instrument.toml fills in, and
// those it changes, which need a correction: a value that stood there, a list that
// is not the old one with lines put at its end, a second number for a place, and a
// plate or chassis number where one stands. format may go up.
func Blanks(before, after *Version) (filled, changed []string) {
	var walk func(a, b any, at string)
	walk = func(a, b any, at string) {
		ma, aok := a.(map[string]any)
		mb, bok := b.(map[string]any)
		la, lb := listOf(a), listOf(b)
		switch {
		case reflect.DeepEqual(a, b):
		case a == nil || a == "":
			filled = append(filled, at)
		case aok && bok:
			for k := range ma {
				if _, ok := mb[k]; !ok {
					changed = append(changed, under(at, k))
				}
			}
			for k := range mb {
				walk(ma[k], mb[k], under(at, k))
			}
		case la != nil && lb != nil && len(lb) >= len(la):
			for i := range lb {
				if i < len(la) {
					walk(la[i], lb[i], nth(at, i))
				} else {
					filled = append(filled, nth(at, i))
				}
			}
		default:
			changed = append(changed, at)
		}
	}
	for k := range before.facts {
		if _, ok := after.facts[k]; !ok {
			changed = append(changed, under("", k))
		}
	}
	for k := range after.facts {
		if k == "format" {
			old, _ := before.Number(k)
			if now, ok := after.Number(k); ok && now > old {
				continue
			}
		}
		walk(before.facts[k], after.facts[k], under("", k))
	}
	old := before.Words("serial", "place")
	for i, place := range after.Words("serial", "place") {
		at := nth("serial", i)
		if k := slices.Index(filled, at); i >= len(old) && k >= 0 && slices.ContainsFunc(old, func(o string) bool { return samePlace(o, place) }) {
			filled = slices.Delete(filled, k, k+1)
			changed = append(changed, at)
		}
	}
	if len(old) == 0 {
		// The list itself was blank.
		places := after.Words("serial", "place")
		for i := range places {
			if slices.ContainsFunc(places[:i], func(o string) bool { return samePlace(o, places[i]) }) {
				changed = append(changed, nth("serial", i))
			}
		}
	}
	sort.Strings(filled)
	sort.Strings(changed)
	return filled, changed
}

// samePlace reports whether two numbers would be read for one: of the same place,
// however written, or both of a plate, or both of a chassis.
func samePlace(a, b string) bool {
	fold := func(s string) string {
		return strings.Map(func(r rune) rune {
			if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r > 0x7f {
				return r
			}
			return -1
		}, strings.ToLower(s))
	}
	a, b = fold(a), fold(b)
	for _, word := range []string{"plate", "chassis"} {
		if strings.Contains(a, word) && strings.Contains(b, word) {
			return true
		}
	}
	return a == b
}

// listOf is [list] that tells an empty list from none.
func listOf(v any) []any {
	if l := list(v); l != nil {
		return l
	}
	switch v.(type) {
	case []any, []map[string]any:
		return []any{}
	}
	return nil
}

func nth(at string, i int) string { return at + "[" + strconv.Itoa(i+1) + "]" }

// under writes the path of a key; a key that is no bare one is quoted, so that no
// two facts share a path.
func under(at, key string) string {
	bare := key != "" && strings.Trim(key, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-") == ""
	if !bare {
		key = strconv.Quote(key)
	}
	if at == "" {
		return key
	}
	return at + "." + key
}

// WithCorrections is the text of a file with other corrections than it has: what
// else it says stays as it is written, and the corrections follow at the end.
func WithCorrections(data []byte, list []Correction) []byte {
	out := append([]byte{}, withoutCorrections(data)...)
	if n := len(out); n > 0 && out[n-1] != '\n' {
		out = append(out, '\n')
	}
	for i := range list {
		out = append(out, EncodeTable("correction", &list[i])...)
	}
	return out
}

// JoinCorrections lists the corrections of two versions of a file: each side's in its
// own order, and one that both made in the same place once. Where both made the same
// two in another order, one of them has to stand twice.
func JoinCorrections(a, b []Correction) []Correction {
	from := 0
	for from < len(a) && from < len(b) && reflect.DeepEqual(a[from], b[from]) {
		from++
	}
	out := slices.Clone(a[:from])
	a, b = a[from:], b[from:]
	// common[i][j] is how many a[i:] and b[j:] can share.
	common := make([][]int, len(a)+1)
	same := make([][]bool, len(a))
	for i := len(a); i >= 0; i-- {
		common[i] = make([]int, len(b)+1)
		if i == len(a) {
			continue
		}
		same[i] = make([]bool, len(b))
		for j := len(b) - 1; j >= 0; j-- {
			if same[i][j] = reflect.DeepEqual(a[i], b[j]); same[i][j] {
				common[i][j] = common[i+1][j+1] + 1
			} else {
				common[i][j] = max(common[i+1][j], common[i][j+1])
			}
		}
	}
	i, j := 0, 0
	for i < len(a) && j < len(b) {
		switch {
		case same[i][j]:
			out = append(out, a[i])
			i, j = i+1, j+1
		case common[i+1][j] == common[i][j]:
			out = append(out, a[i])
			i++
		default:
			out = append(out, b[j])
			j++
		}
	}
	return append(append(out, a[i:]...), b[j:]...)
}

// withoutCorrections cuts the corrections out of a file's text.
func withoutCorrections(data []byte) []byte {
	var p unstable.Parser
	p.Reset(data)
	var out []byte
	kept := 0             // up to where it is decided
	cut := -1             // where a cut began
	inCorrection := false // below a header of one
	for p.NextExpression() {
		e := p.Expression()
		if e.Kind == unstable.Comment {
			continue
		}
		keys := e.Key()
		if !keys.Next() {
			continue
		}
		first := keys.Node()
		mine := string(first.Data) == "correction"
		if e.Kind == unstable.KeyValue && (inCorrection || !mine) {
			mine = inCorrection
		} else if e.Kind != unstable.KeyValue {
			inCorrection = mine
		}
		at := bytes.LastIndexByte(data[:first.Raw.Offset], '\n') + 1
		switch {
		case mine && cut < 0:
			cut = at
		case !mine && cut >= 0:
			out = append(out, data[kept:cut]...)
			kept, cut = remarks(data, cut, at), -1
		}
	}
	if cut >= 0 {
		return append(out, data[kept:cut]...)
	}
	return append(out, data[kept:]...)
}

// remarks is where the comments and empty lines before an expression begin.
func remarks(data []byte, from, at int) int {
	for at > from {
		start := bytes.LastIndexByte(data[:at-1], '\n') + 1
		if text := bytes.TrimSpace(data[start:at]); len(text) > 0 && text[0] != '#' || start < from {
			break
		}
		at = start
	}
	return at
}
