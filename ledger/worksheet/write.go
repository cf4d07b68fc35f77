package worksheet

import (
	"fmt"
	"path"
	"reflect"
	"slices"
	"sort"
	"strings"

	"benchlore/ledger"
	"benchlore/schema"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// Sheet is a worksheet: what is to be looked at, with columns to fill in. The
// ledger reads it back.
type Sheet struct {
	Kind     Kind         `json:"kind"`
	Unit     string       `json:"unit"` // model/tag
	Title    string       `json:"title"`
	Job      string       `json:"job,omitempty"`
	Date     schema.Date  `json:"date"`
	Power    schema.Power `json:"power,omitempty"`
	PowerWhy string       `json:"powerWhy,omitempty"`
	Columns  []Column     `json:"columns"`
	Rows     [][]string   `json:"rows"` // a text for each column

	// Slate makes the code of a section as SVG, for the page to print; nil: none.
	Slate func(section string) ([]byte, error) `json:"-"`

	lists map[string][]string // what drop-down lists offer, by key
}

// Options choose what a worksheet has.
type Options struct {
	Sections []string // only these; a text may name several: voice 1-4
	Boards   []string // only sections that carry these
	Families []string // only these; a group alone means all of it: capacitor
	Kit      string   // what a kit is for, with its new parts filled in: recap, or recap/2
	Done     bool     // also positions this job has dealt with
	Tables   []string // more tables: "contact resistance (mOhm)"
	At       string   // the positions of those
	Stages   []string // the stages of tables; none: as-found and as-left
}

// New builds a worksheet of a unit. A request that cannot be met is a *ledger.UsageError.
func New(kind Kind, u *unit.Unit, shop *schema.Shop, stock *ledger.Catalog, today schema.Date, opt Options) (*Sheet, error) {
	s := &Sheet{Kind: kind, Unit: u.Name, Title: strings.TrimSpace(u.Instrument.Maker + " " + u.Instrument.Model), Date: today, Rows: [][]string{}}
	s.Power, s.PowerWhy, _ = u.Power()
	if j := u.OpenJob(); j != nil {
		s.Job = j.Name()
	}
	b := &sheetBuilder{s: s, u: u, opt: opt}
	if err := b.choose(); err != nil {
		return nil, err
	}
	s.lists = map[string][]string{}
	var lots, meters []string
	for n := range stock.Lots {
		lots = append(lots, n)
	}
	sort.Strings(lots)
	for _, t := range shop.TestInstruments {
		meters = append(meters, t.ID)
	}
	s.lists["new.lot"], s.lists["with"], s.lists["family"] = lots, meters, stock.Families.Names()
	for _, f := range u.Faults {
		s.lists["fault"] = append(s.lists["fault"], f.ID)
	}
	var err error
	switch kind {
	case Readings:
		err = b.readings()
	case Tables:
		err = b.tables()
	default:
		err = b.parts()
	}
	if err == nil && len(s.Rows) == 0 {
		err = &ledger.UsageError{What: fmt.Sprintf("nothing is left to fill in for %s", u.Name), Remedy: "choose other sections, boards or families; --all also takes what this job has dealt with"}
	}
	return s, err
}

type sheetBuilder struct {
	s    *Sheet
	u    *unit.Unit
	opt  Options
	only map[string]bool // sections; nil: all
}

// choose finds the sections that were asked for.
func (b *sheetBuilder) choose() error {
	names := make([]string, len(b.u.Sections))
	var boards []string
	for i, s := range b.u.Sections {
		names[i] = s.Name
		if s.Board != "" && !slices.Contains(boards, s.Board) {
			boards = append(boards, s.Board)
		}
	}
	if len(b.opt.Sections)+len(b.opt.Boards) > 0 {
		b.only = map[string]bool{}
	}
	for _, text := range b.opt.Sections {
		l, err := refs.ParseNames(text)
		if err != nil {
			return &ledger.UsageError{What: err.Error(), Remedy: "write sections as records do: voice 1-4, power supply"}
		}
		found, unmatched := l.Select(names)
		if len(unmatched) > 0 {
			return unknownName("section", unmatched[0], names)
		}
		for _, n := range found {
			b.only[n] = true
		}
	}
	for _, board := range b.opt.Boards {
		found := false
		for _, s := range b.u.Sections {
			if strings.EqualFold(s.Board, board) {
				b.only[s.Name], found = true, true
			}
		}
		if !found {
			return unknownName("board", board, boards)
		}
	}
	for _, f := range b.opt.Families {
		known := map[string]bool{}
		for _, p := range b.u.Positions {
			known[string(p.Family)] = true
		}
		for _, p := range b.u.Pools {
			known[string(p.Family)] = true
		}
		var list []string
		hit := false
		for n := range known {
			list = append(list, n)
			hit = hit || ofFamily(schema.FamilyName(n), f)
		}
		sort.Strings(list)
		if !hit {
			return unknownName("family", f, list)
		}
	}
	return nil
}

func unknownName(what, name string, have []string) error {
	remedy := "it has: " + strings.Join(have, ", ")
	if len(have) == 0 {
		remedy = fmt.Sprintf("it has no %s yet; add it to the model in models/", what)
	}
	if near := schema.Nearest(name, have); near != "" {
		remedy = fmt.Sprintf("did you mean %q?", near)
	}
	return &ledger.UsageError{What: fmt.Sprintf("the model has no %s %q", what, name), Remedy: remedy}
}

func ofFamily(f schema.FamilyName, want string) bool {
	return string(f) == want || f.Group() == want
}

func (b *sheetBuilder) wanted(section string, f schema.FamilyName) bool {
	if b.only != nil && !b.only[section] {
		return false
	}
	return len(b.opt.Families) == 0 || slices.ContainsFunc(b.opt.Families, func(w string) bool { return ofFamily(f, w) })
}

// sheetCells are the cells of a row by key.
type sheetCells map[string]string

// set writes rows with the usual columns, and with further ones that hold
// something.
func (b *sheetBuilder) set(all []Column, usual []string, rows []sheetCells) {
	keys := slices.Clone(usual)
	for _, c := range all {
		if !slices.Contains(keys, c.Key) && slices.ContainsFunc(rows, func(r sheetCells) bool { return r[c.Key] != "" }) {
			at := slices.Index(keys, KeyInstrument)
			keys = slices.Insert(keys, at, c.Key)
		}
	}
	for _, k := range keys {
		i := slices.IndexFunc(all, func(c Column) bool { return c.Key == k })
		b.s.Columns = append(b.s.Columns, all[i])
	}
	for _, r := range rows {
		r[KeyInstrument], r[KeyJob] = b.s.Unit, b.s.Job
		row := make([]string, len(keys))
		for i, k := range keys {
			row[i] = r[k]
		}
		b.s.Rows = append(b.s.Rows, row)
	}
}

var usualParts = []string{"section", "ref", "family", KeyHasNow, "found", "mode", "how", "action", "new.value", "new.rating", "new.lot", "new.source",
	"fault", "note", KeyInstrument, KeyJob}

// parts lists the open positions in the order of the sections and boards: those
// this job says nothing of yet, and those it has pending.
func (b *sheetBuilder) parts() error {
	kit, revision, err := b.kit()
	if err != nil {
		return err
	}
	fromKit := map[*unit.Position]*schema.Component{}
	if kit != nil {
		for _, l := range b.u.KitLines(kit) {
			if l.Position != nil {
				fromKit[l.Position] = l.Line.New
			}
		}
	}
	job := b.u.OpenJob()
	order := map[string]int{}
	for i, s := range b.u.Sections {
		order[s.Name] = i + 1
	}
	positions := slices.Clone(b.u.Positions)
	slices.SortStableFunc(positions, func(x, y *unit.Position) int { return order[x.Section] - order[y.Section] })
	sections := slices.Clone(b.u.Sections)
	var rows []sheetCells
	bySection := map[string][]sheetCells{}
	byType := false // some are known by a type and not by a value
	for _, p := range positions {
		if !b.wanted(p.Section, p.Family) {
			continue
		}
		fresh, in := fromKit[p]
		if kit != nil && !in {
			continue
		}
		events := jobEvents(p, job)
		var last *unit.Event
		if len(events) > 0 {
			last = events[len(events)-1]
		}
		if last != nil && last.Line.Action != schema.Pending && !b.opt.Done {
			continue
		}
		if p.Current() == nil && last == nil {
			continue // nothing sits there
		}
		r := sheetCells{"section": p.Section, "ref": string(p.Ref), "family": string(p.Family), KeyHasNow: hasNow(p)}
		switch {
		case last != nil:
			lineCells(r, last.Line)
			r["family"] = string(p.Family)
		case fresh != nil:
			cellsOf(r, "new.", *fresh)
		}
		byType = byType || p.Value == "" || p.Type != ""
		bySection[p.Section] = append(bySection[p.Section], r)
	}
	if kit == nil {
		b.pools(job, bySection)
	}
	for _, s := range sections {
		rows = append(rows, bySection[s.Name]...)
		delete(bySection, s.Name)
	}
	var rest []string // sections the model does not have
	for n := range bySection {
		rest = append(rest, n)
	}
	sort.Strings(rest)
	for _, n := range rest {
		rows = append(rows, bySection[n]...)
	}
	usual := usualParts
	if slices.ContainsFunc(rows, func(r sheetCells) bool { return r["ref"] == "" }) {
		usual = slices.Insert(slices.Clone(usual), 2, "count")
	}
	if byType {
		usual = slices.Insert(slices.Clone(usual), slices.Index(usual, "new.rating")+1, "new.type")
	}
	b.set(partColumns(), usual, rows)
	if kit != nil {
		b.s.Title += ", kit " + strings.TrimSuffix(kit.Name+" "+revision, " ")
	}
	return nil
}

// pools adds the counted pools: a row for each line of this job, and one that is
// free.
func (b *sheetBuilder) pools(job *unit.Job, bySection map[string][]sheetCells) {
	for _, p := range b.u.Pools {
		if !b.wanted(p.Section, p.Family) {
			continue
		}
		for _, e := range p.Events {
			if e.Job == job && (b.opt.Done || e.Line.Action == schema.Pending) {
				r := sheetCells{"section": p.Section}
				lineCells(r, e.Line)
				r["family"] = string(p.Family)
				bySection[p.Section] = append(bySection[p.Section], r)
			}
		}
		r := sheetCells{"section": p.Section, "family": string(p.Family)}
		if p.Count > 0 {
			r[KeyHasNow] = fmt.Sprintf("pool of %d", p.Count)
		}
		bySection[p.Section] = append(bySection[p.Section], r)
	}
}

// lineCells fills in what a part line says.
func lineCells(r sheetCells, l schema.PartLine) {
	l.Section, l.Ref = "", ""
	cellsOf(r, "", l)
	if l.New != nil {
		n := *l.New
		if n.Source == schema.SourceNew {
			n.Source = ""
		}
		cellsOf(r, "new.", n)
	}
	if l.Old != nil {
		cellsOf(r, "old.", *l.Old)
	}
}

// cellsOf fills in the plain keys of a table.
func cellsOf(r sheetCells, prefix string, v any) {
	rv := reflect.ValueOf(v)
	for _, f := range schema.FieldsOf(v) {
		fv := rv.FieldByIndex(f.Index)
		if f.Tables() || fv.IsZero() {
			continue
		}
		switch x := fv.Interface().(type) {
		case schema.Date:
			r[prefix+f.Key] = x.String()
		case schema.Modes:
			words := make([]string, len(x))
			for i, m := range x {
				words[i] = string(m)
			}
			r[prefix+f.Key] = strings.Join(words, ", ")
		case schema.Idents:
			r[prefix+f.Key] = strings.Join(x, ", ")
		default:
			r[prefix+f.Key] = fmt.Sprint(x)
		}
	}
}

// kit finds the kit that was asked for.
func (b *sheetBuilder) kit() (*schema.Kit, string, error) {
	if b.opt.Kit == "" {
		return nil, "", nil
	}
	name, revision, _ := strings.Cut(b.opt.Kit, "/")
	var found *schema.Kit
	var names []string
	n := 0
	for i := range b.u.Model.Kits {
		k := &b.u.Model.Kits[i]
		names = append(names, path.Clean(k.Name+"/"+k.Revision))
		if strings.EqualFold(k.Name, name) && (revision == "" || k.Revision == revision) {
			found = k
			n++
		}
	}
	switch {
	case n > 1:
		return nil, "", &ledger.UsageError{What: fmt.Sprintf("the model has kit %q in several revisions", name), Remedy: "write one of: " + strings.Join(names, ", ")}
	case found == nil:
		return nil, "", unknownName("kit", b.opt.Kit, names)
	}
	return found, found.Revision, nil
}
