package ledger

import (
	"bytes"
	"fmt"
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
