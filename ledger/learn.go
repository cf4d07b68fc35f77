package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"reflect"
	"slices"
	"sort"
	"strconv"
	"strings"

	"benchlore/schema"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// Learnt is one set of positions a model did not have.
type Learnt struct {
	Where string // "board preamp B" or "section transport"
	Set   schema.PositionSet
}

// AddSections adds sections without parts to the end of a unit's model.
func (l *Ledger) AddSections(name string, sections ...string) (Result, error) {
	p := "models/" + modelOf(name) + ".toml"
	return l.update(func(w *writer) error {
		data, err := l.read(p)
		if err != nil {
			return err
		}
		if was, ok, err := w.committed(p); err != nil {
			return err
		} else if !ok || !bytes.Equal(was, data) {
			return &UnsavedError{[]string{p}}
		}
		if n := len(data); n > 0 && data[n-1] != '\n' {
			data = append(data, '\n')
		}
		for _, s := range sections {
			data = append(data, schema.EncodeTable("section", &schema.Section{Name: s})...)
		}
		m, problems := schema.Decode[schema.Model](p, data)
		if m == nil || schema.Worst(problems) > schema.Warned {
			return &ProblemsError{"the section was not added", problems}
		}
		w.put(p, data)
		w.subject = fmt.Sprintf("%s: section %s", modelOf(name), strings.Join(sections, ", "))
		return nil
	})
}

// Learn grows the model's population from what a unit was found to
// have: positions its records name that the model does not. Positions a
// modification fitted are not the model's. Complete boards are left alone.
func (l *Ledger) Learn(name string) (Result, []Learnt, error) {
	stock, err := l.Catalog()
	if err != nil {
		return Result{}, nil, err
	}
	slug := modelOf(name)
	p := "models/" + slug + ".toml"
	var learnt []Learnt
	res, err := l.update(func(w *writer) error {
		learnt = nil
		data, err := l.read(p)
		if err != nil {
			return err
		}
		if was, ok, err := w.committed(p); err != nil {
			return err
		} else if !ok || !bytes.Equal(was, data) {
			return &UnsavedError{[]string{p}}
		}
		m, _ := schema.Decode[schema.Model](p, data) // a copy of our own, to grow
		if m == nil {
			return &UsageError{p + " cannot be read", "see: benchlore check"}
		}
		u, err := l.Unit(name, stock)
		if err != nil {
			return err
		}
		if n, _ := schema.Count(u.Problems); n > 0 {
			return &ProblemsError{name + " is not clean enough to learn from", u.Problems}
		}
		learnt = Unknown(u.Unit)
		if len(learnt) == 0 {
			return &UsageError{"the model knows every position of " + name + " already", "nothing to do"}
		}
		grown := grow(data, m, learnt)
		if after, problems := schema.Decode[schema.Model](p, grown); after == nil || population(after) != population(m)+len(learnt) {
			return &ProblemsError{"the model is written in a way that nothing can be added to; add the positions by hand", problems}
		}
		w.put(p, grown)
		w.subject = fmt.Sprintf("learn from %s: %d sets of positions", name, len(learnt))
		return nil
	})
	return res, learnt, err
}

// Unknown lists the positions of a unit its model does not have, gathered into
// sets that are alike.
func Unknown(u *unit.Unit) []Learnt {
	type key struct {
		where string
		set   schema.PositionSet // without refs
	}
	groups := map[key][]refs.Ref{}
	var order []key
	seen := map[string]bool{}
	for _, p := range u.Positions {
		s := u.Section(p.Section)
		if p.InModel || p.Complete || s == nil || len(p.Occupants) == 0 || p.Occupants[0].Fitted != nil || p.Ref[0] == '@' {
			continue
		}
		where := "section " + modelSection(u.Model, p.Section)
		if s.Board != "" {
			where = strings.TrimSpace("board " + s.Board + " " + s.Revision)
		}
		id := where + "\x00" + string(p.Ref)
		if seen[id] {
			continue // the same board in another section
		}
		seen[id] = true
		k := key{where: where, set: schema.PositionSet{Family: p.Family}}
		if o := p.Occupants[0]; o.Component != nil {
			k.set.Value, k.set.Rating, k.set.Type = o.Component.Value, o.Component.Rating, o.Component.Type
		}
		if groups[k] == nil {
			order = append(order, k)
		}
		groups[k] = append(groups[k], p.Ref)
	}
	out := make([]Learnt, len(order))
	for i, k := range order {
		rs := groups[k]
		sort.Slice(rs, func(a, b int) bool { return refs.Less(rs[a], rs[b]) })
		k.set.Ref = schema.Refs(refs.Compact(rs))
		out[i] = Learnt{k.where, k.set}
	}
	return out
}

// modelSection is the name a section has in the model: voice for voice 3.
func modelSection(m *schema.Model, name string) string {
	for _, s := range m.Sections {
		if rest, ok := strings.CutPrefix(name, s.Name+" "); ok && s.Count > 0 {
			if n, err := strconv.Atoi(rest); err == nil && n >= 1 && n <= s.Count {
				return s.Name
			}
		}
	}
	return name
}

// population counts the sets of positions of a model.
func population(m *schema.Model) int {
	n := 0
	for _, b := range m.Boards {
		n += len(b.Positions)
	}
	for _, s := range m.Sections {
		n += len(s.Positions)
	}
	return n
}

// grow adds what was learnt to the model's text, each set at the end of its
// board or section. Comments and notation stay as they are.
func grow(data []byte, m *schema.Model, learnt []Learnt) []byte {
	for i := range m.Boards {
		b := &m.Boards[i]
		data = insert(data, "board", i, learnt, strings.TrimSpace("board "+b.Name+" "+b.Revision))
	}
	for i := range m.Sections {
		s := &m.Sections[i]
		where := "section " + s.Name
		if s.Board == "" {
			data = insert(data, "section", i, learnt, where)
		}
	}
	return data
}

// insert puts the sets learnt of one place at the end of the n-th [[table]] of
// a model's text.
func insert(data []byte, table string, n int, learnt []Learnt, where string) []byte {
	var text []byte
	for _, l := range learnt {
		if l.Where == where {
			text = append(text, schema.EncodeTable(table+".position", &l.Set)...)
		}
	}
	if text == nil {
		return data
	}
	lines := strings.SplitAfter(string(data), "\n")
	if last := len(lines) - 1; lines[last] != "" && !strings.HasSuffix(lines[last], "\n") {
		lines[last] += "\n"
	}
	end, seen := len(lines), -1
	for i, line := range lines {
		head := strings.TrimSpace(line)
		switch {
		case head == "[["+table+"]]":
			seen++
			if seen == n+1 {
				end = i
			}
		case seen == n && strings.HasPrefix(head, "[") && !strings.HasPrefix(head, "[["+table+"."):
			end = i
		}
		if end < len(lines) {
			break
		}
	}
	// Blank lines and comments before the next table belong to it.
	for end > 0 && end < len(lines) {
		head := strings.TrimSpace(lines[end-1])
		if head != "" && !strings.HasPrefix(head, "#") {
			break
		}
		end--
	}
	return []byte(strings.Join(lines[:end], "") + string(text) + strings.Join(lines[end:], ""))
}

// listsDir holds how the shop's own lists are read. It never travels.
const listsDir = "lists"

// ModelChange is what [Ledger.ChangeModel] does.
type ModelChange struct {
	Maker, Name string                    // of a model that is new
	Change      func(*schema.Model) error // of a copy of its own
	Forms       []schema.ListForm         // how lists are read, to be remembered
	FormName    string                    // of the files they go into
	Subject     func(m *schema.Model) string
}

// ChangeModel starts a model or changes one, in one commit, and returns the model
// as it is then. A file that somebody wrote by hand keeps its comments and
// notation: things are added to it, and a change of what stands in it is a
// *UsageError. Nothing is written where nothing is new.
func (l *Ledger) ChangeModel(slug string, c ModelChange) (Result, *schema.Model, error) {
	if err := CheckSlug("model", slug); err != nil {
		return Result{}, nil, err
	}
	p := "models/" + slug + ".toml"
	var out *schema.Model
	res, err := l.update(func(w *writer) error {
		data, err := l.read(p)
		m, before := &schema.Model{Maker: c.Maker, Name: c.Name}, (*schema.Model)(nil)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			if c.Maker == "" || c.Name == "" {
				return &UsageError{fmt.Sprintf("there is no models/%s.toml yet", slug), "say what it is: --maker NAME --name NAME"}
			}
		case err != nil:
			return err
		default:
			if was, ok, err := w.committed(p); err != nil {
				return err
			} else if !ok || !bytes.Equal(was, data) {
				return &UnsavedError{[]string{p}}
			}
			var problems []schema.Problem
			if before, problems = schema.Decode[schema.Model](p, data); before == nil {
				return &ProblemsError{p + " cannot be read", problems}
			}
			m, _ = schema.Decode[schema.Model](p, data)
		}
		if err := c.Change(m); err != nil {
			return err
		}
		out = m
		if before == nil || !reflect.DeepEqual(before, m) {
			text, err := modelText(p, data, before, m)
			if err != nil {
				return err
			}
			after, problems := schema.Decode[schema.Model](p, text)
			if after == nil || schema.Worst(problems) > schema.Warned {
				return &ProblemsError{"the model was not saved", problems}
			}
			w.put(p, text)
		}
		for _, f := range c.Forms {
			if err := w.form(f, c.FormName); err != nil {
				return err
			}
		}
		w.subject = c.Subject(m)
		return nil
	})
	return res, out, err
}

// modelText writes a changed model. Where the file is as the program writes it, it
// is written anew; else what is new is put into its text.
func modelText(p string, data []byte, before, m *schema.Model) ([]byte, error) {
	if before == nil || bytes.Equal(data, schema.Encode(before)) {
		return schema.Encode(m), nil
	}
	text := data
	for i := range before.Boards {
		if more := added(before.Boards[i].Positions, m.Boards[i].Positions); len(more) > 0 {
			text = insert(text, "board", i, learntAt("", more), "")
		}
	}
	for i := range before.Sections {
		if more := added(before.Sections[i].Positions, m.Sections[i].Positions); len(more) > 0 {
			text = insert(text, "section", i, learntAt("", more), "")
		}
	}
	if n := len(text); n > 0 && text[n-1] != '\n' {
		text = append(bytes.Clone(text), '\n')
	}
	text = appendNew(text, "section", len(before.Sections), m.Sections)
	text = appendNew(text, "board", len(before.Boards), m.Boards)
	text = appendNew(text, "limit", len(before.Limits), m.Limits)
	text = appendNew(text, "kit", len(before.Kits), m.Kits)
	text = appendNew(text, "procedure", len(before.Procedures), m.Procedures)
	if after, _ := schema.Decode[schema.Model](p, text); after == nil || !reflect.DeepEqual(after, m) {
		return nil, &UsageError{p + " was written by hand, and what stands in it would change", "change it in the file and run: benchlore save; what is new can be added without --replace"}
	}
	return text, nil
}

func appendNew[T any](text []byte, table string, from int, list []T) []byte {
	for i := from; i < len(list); i++ {
		text = append(text, schema.EncodeTable(table, &list[i])...)
	}
	return text
}

// added are the sets behind those that were there.
func added(before, after []schema.PositionSet) []schema.PositionSet {
	if len(after) <= len(before) {
		return nil
	}
	return after[len(before):]
}

func learntAt(where string, sets []schema.PositionSet) []Learnt {
	out := make([]Learnt, len(sets))
	for i, s := range sets {
		out[i] = Learnt{where, s}
	}
	return out
}

// form keeps how a list is read: in the file that is about the same headings, else
// in a new one.
func (w *writer) form(f schema.ListForm, name string) error {
	forms, files, err := w.l.listForms()
	if err != nil {
		return err
	}
	for i, has := range forms {
		if !SameHeadings(has.Headings, f.Headings) {
			continue
		}
		for _, c := range f.Columns {
			has.Columns = slices.DeleteFunc(has.Columns, func(x schema.ListColumn) bool {
				return x.Holds == c.Holds && c.Holds != "none" || x.Heading == c.Heading
			})
			has.Columns = append(has.Columns, c)
		}
		for _, x := range f.Words {
			has.Words = slices.DeleteFunc(has.Words, func(y schema.ListWord) bool { return y.Word == x.Word && y.In == x.In })
			has.Words = append(has.Words, x)
		}
		w.put(files[i], schema.Encode(&has))
		return nil
	}
	slug := slugOf(name)
	if slug == "" || CheckSlug("", slug) != nil {
		slug = "list"
	}
	p := listsDir + "/" + slug + ".toml"
	for n := 2; slices.Contains(files, p); n++ {
		p = fmt.Sprintf("%s/%s-%d.toml", listsDir, slug, n)
	}
	w.put(p, schema.Encode(&f))
	return nil
}

// SameHeadings reports whether two lists have the same headings, but for blanks and
// capitals.
func SameHeadings(a, b []string) bool {
	plain := func(list []string) []string {
		var out []string
		for _, h := range list {
			out = append(out, strings.ToLower(strings.Join(strings.Fields(h), " ")))
		}
		for len(out) > 0 && out[len(out)-1] == "" {
			out = out[:len(out)-1]
		}
		return out
	}
	return slices.Equal(plain(a), plain(b))
}

// ListForms are how the shop's own lists are read, as it has said before.
func (l *Ledger) ListForms() ([]schema.ListForm, error) {
	forms, _, err := l.listForms()
	return forms, err
}

func (l *Ledger) listForms() (forms []schema.ListForm, files []string, err error) {
	names, err := l.tomlNames(listsDir)
	if err != nil {
		return nil, nil, err
	}
	for _, n := range names {
		p := listsDir + "/" + n + ".toml"
		data, err := l.read(p)
		if err != nil {
			return nil, nil, err
		}
		f, problems := schema.Decode[schema.ListForm](p, data)
		if f == nil {
			return nil, nil, &ProblemsError{p + " cannot be read", problems}
		}
		forms, files = append(forms, *f), append(files, p)
	}
	return forms, files, nil
}
