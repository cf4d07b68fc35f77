package main

import (
	"fmt"
	"math/big"
	"path/filepath"
	"slices"
	"strings"

	"benchlore/ledger"
	"benchlore/ledger/partslist"
	"benchlore/ledger/worksheet"
	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/refs"
)

// workFlags are what import is told of a list of finished work.
type workFlags struct {
	unit, by, open, dates string
	columns, means        []string
	yes, all              bool
}

// importWork takes in a list of finished work. done is false where the file is none.
func (a *app) importWork(l *ledger.Ledger, file string, data []byte, f workFlags) (done bool, err error) {
	told, err := choices(f.columns, partslist.WorkColumns)
	if err != nil {
		return true, err
	}
	sheets, err := partslist.ReadSheets(file, data)
	if err != nil || !partslist.IsWork(sheets, told) || worksheet.Knows(partslist.Headings(sheets)) {
		if len(f.columns)+len(f.means) > 0 || f.open+f.dates != "" {
			return true, usagef("leave out --column, --means, --open and --dates, or name the columns of day and work: --column date=A --column action=D", "%s is no list of finished work: no column holds the day, and what was found or done", file)
		}
		return false, nil
	}
	w := &workImport{a: a, l: l, f: f, file: file, told: told}
	return true, w.run(sheets)
}

// workImport is one import of finished work.
type workImport struct {
	a     *app
	l     *ledger.Ledger
	f     workFlags
	file  string
	told  []partslist.ColumnChoice
	stock *ledger.Catalog
	units []string
	words []schema.ListWord // as remembered and told
	said  []schema.ListWord // as told now
	loads map[string]*ledger.Loaded
	fresh map[string]string // units to be opened, by name: as the list calls them
	by    string
}

func (w *workImport) run(sheets []*partslist.Sheet) error {
	a, l := w.a, w.l
	var err error
	if w.stock, err = l.Catalog(); err != nil {
		return err
	}
	if w.units, err = l.Units(); err != nil {
		return err
	}
	if w.by, err = a.by(l, w.f.by); err != nil {
		return err
	}
	if w.f.dates != "" && !slices.Contains(schema.DateOrder("").Words(), w.f.dates) {
		return unknownWord("--dates", w.f.dates, schema.DateOrder("").Words())
	}
	if w.f.open != "" && w.stock.Models[w.f.open] == nil {
		return usagef("start it first: benchlore model "+w.f.open+" LIST.csv --maker NAME --name NAME", "--open: the ledger has no model %q", w.f.open)
	}
	forms, err := l.ListForms()
	if err != nil {
		return err
	}
	heads := partslist.Headings(sheets)
	for _, form := range forms {
		if ledger.SameHeadings(form.Headings, heads) {
			w.words = append(w.words, form.Words...)
		}
	}
	if err := w.meanings(); err != nil {
		return err
	}
	w.loads, w.fresh = map[string]*ledger.Loaded{}, map[string]string{}
	opt := partslist.WorkOptions{Columns: w.told, Remembered: rememberedColumns(forms), Words: w.words, Unit: w.f.unit, Dates: schema.DateOrder(w.f.dates),
		Today: l.Today(), Currency: l.Shop.Currency, Find: w.find, Sections: w.sections, Positions: w.positions, Fitted: w.fitted}
	if opt.Dates == "" && l.Shop.Dates != "" && l.Shop.Dates != schema.YearMonthDay {
		opt.Dates = l.Shop.Dates
	}
	work, err := partslist.ReadWork(sheets, opt)
	if err != nil {
		return listError(err)
	}
	if len(work.Unknown) > 0 {
		if err := w.toOpen(work.Unknown); err != nil {
			return err
		}
		if work, err = partslist.ReadWork(sheets, opt); err != nil {
			return listError(err)
		}
	}
	entered := w.entered(work)
	if !a.json {
		w.show(work, entered)
	}
	if len(work.Lines)+len(work.Sums) == 0 {
		return usagef("say which columns hold what: --column ref=D --column date=B", "%s: no row could be taken", w.file)
	}
	if ok, err := a.agreed("import it?", w.f.yes); err != nil {
		return err
	} else if !ok {
		return usagef("", "nothing was imported")
	}
	var opened []string
	for _, name := range sortedKeys(w.fresh) {
		if _, err := l.NewUnit(name, schema.Instrument{}); err != nil {
			return err
		}
		opened = append(opened, name)
	}
	if a.dryRun { // units that are not there yet hold nothing to compare with
		entered = slices.DeleteFunc(entered, func(e ledger.Entered) bool { _, is := w.fresh[e.Unit]; return is })
	}
	var form *schema.ListForm
	if len(w.said)+len(w.told) > 0 && len(heads) > 0 {
		form = &schema.ListForm{Headings: heads, Words: w.said}
		for _, c := range work.Layouts[0].Columns {
			if c.From == "told" && c.Heading != "" {
				form.Columns = append(form.Columns, schema.ListColumn{Heading: c.Heading, Holds: schema.ColumnHolds(c.Is)})
			}
		}
	}
	res, err := l.AddEntered(entered, "finished work from "+w.file, form, strings.TrimSuffix(w.file, filepath.Ext(w.file)))
	if err != nil {
		return err
	}
	if a.json {
		return a.printJSON(struct {
			ledger.EnteredResult
			Opened   []string         `json:"opened,omitempty"`
			NotTaken []partslist.Note `json:"notTaken,omitempty"`
			Said     []partslist.Note `json:"said,omitempty"`
		}{res, opened, work.NotTaken, work.Said})
	}
	verb, open := "saved", "opened"
	if a.dryRun {
		verb, open = "would save", "would open"
	}
	for _, name := range opened {
		fmt.Fprintf(a.out, "%s %s\n", open, name)
	}
	if res.Known > 0 {
		fmt.Fprintf(a.out, "recorded already: %d\n", res.Known)
	}
	if len(res.Files) == 0 {
		fmt.Fprintln(a.out, "nothing to import")
		return nil
	}
	for i, p := range res.Files {
		if i == shownLines && !w.f.all {
			fmt.Fprintf(a.out, "%s %d more files\n", verb, len(res.Files)-i)
			break
		}
		fmt.Fprintf(a.out, "%s %s\n", verb, p)
	}
	a.warnOf(ledger.Saved{Result: res.Result, Problems: res.Problems})
	for _, e := range entered {
		if _, is := w.fresh[e.Unit]; is && !a.dryRun && len(e.Records) > 0 {
			fmt.Fprintf(a.out, "next: benchlore record intake --unit %s --date %s --reason overhaul --works unknown\n", e.Unit, e.Records[0].Date)
		}
	}
	return nil
}

// meanings reads --means: a word of the list stands for a unit, or for a section.
func (w *workImport) meanings() error {
	for _, t := range w.f.means {
		word, means, ok := strings.Cut(t, "=")
		word, means = strings.TrimSpace(word), strings.TrimSpace(means)
		if !ok || word == "" || means == "" {
			return usagef(`write it like --means "Netzteil=power supply" or --means "Astrella 18052=a61-18052"`, "--means: %q does not say what a word stands for", t)
		}
		in := partslist.ColSection
		if _, err := w.l.Resolve(means); err == nil {
			in = partslist.ColInstrument
		}
		x := schema.ListWord{Word: word, Means: means, In: schema.WordIn(in)}
		w.said = append(w.said, x)
		w.words = append([]schema.ListWord{x}, w.words...)
	}
	return nil
}

var digits = pattern.New(`[0-9]{3,}`)

// find finds the unit a text names: by its name, or by its number alone where only
// one unit has it.
func (w *workImport) find(text string) string {
	if name, err := w.l.Resolve(text); err == nil {
		return name
	}
	for name, called := range w.fresh {
		if called == text || name == text {
			return name
		}
	}
	numbers := digits.FindAllString(text, -1)
	if len(numbers) == 0 {
		return ""
	}
	number, found := numbers[len(numbers)-1], ""
	for _, name := range w.units {
		if strings.HasSuffix(name, "-"+number) || strings.HasSuffix(name, "/"+number) {
			if found != "" {
				return ""
			}
			found = name
		}
	}
	return found
}

// toOpen decides what becomes of units that the ledger does not have.
func (w *workImport) toOpen(unknown []string) error {
	model := w.f.open
	if model == "" {
		known := sorted(w.stock.Models)
		standard := ""
		if len(known) == 1 {
			standard = known[0]
		}
		for _, m := range known {
			if strings.Contains(foldWords(strings.Join(unknown, " ")), foldWords(w.stock.Models[m].Name)) {
				standard = m
			}
		}
		for _, u := range w.units {
			m, tag, _ := strings.Cut(u, "/")
			if p, _, ok := strings.Cut(tag, "-"); ok && strings.HasPrefix(unknown[0], p+"-") {
				standard = m
			}
		}
		is := "is"
		if len(unknown) > 1 {
			is = "are"
		}
		if !w.a.interactive() || w.a.json || w.f.yes {
			hint := "add --open MODEL to open them as units of that model"
			if standard != "" {
				hint = "add --open " + standard + " to open them as units of that model"
			}
			return usagef(hint+`; or say which unit is meant: --means "`+unknown[0]+`=UNIT"`, "%s %s not in the ledger", someOf(unknown, 6), is)
		}
		answer, err := w.a.askLine(fmt.Sprintf("%s %s not in the ledger. Open as units of which model?", someOf(unknown, 6), is), standard)
		if err != nil {
			return err
		}
		if w.stock.Models[answer] == nil {
			return usagef("its models are: "+strings.Join(known, ", "), "the ledger has no model %q", answer)
		}
		model = answer
	}
	for _, text := range unknown {
		tag := strings.Trim(notTag.ReplaceAllString(strings.ToLower(text), "-"), "-")
		if numbers := digits.FindAllString(text, -1); strings.Contains(text, " ") && len(numbers) > 0 {
			for _, u := range w.units {
				if m, t, _ := strings.Cut(u, "/"); m == model {
					if p, _, ok := strings.Cut(t, "-"); ok {
						tag = p + "-" + numbers[len(numbers)-1]
					}
				}
			}
		}
		if _, rest, ok := strings.Cut(text, "/"); ok && strings.HasPrefix(text, model+"/") {
			tag = rest
		}
		if err := ledger.CheckSlug("tag", tag); err != nil {
			return err
		}
		w.fresh[model+"/"+tag] = text
	}
	return nil
}

var notTag = pattern.New(`[^a-z0-9]+`)

func foldWords(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }

func sortedKeys(m map[string]string) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

func (w *workImport) load(name string) *ledger.Loaded {
	if u, ok := w.loads[name]; ok {
		return u
	}
	u, err := w.l.Unit(name, w.stock)
	if err != nil {
		u = nil
	}
	w.loads[name] = u
	return u
}

// sections are those of a unit; of one that is not there yet, those of its model.
func (w *workImport) sections(name string) []string {
	var out []string
	if _, is := w.fresh[name]; !is && slices.Contains(w.units, name) {
		if u := w.load(name); u != nil {
			for _, s := range u.Sections {
				out = append(out, s.Name)
			}
		}
		return out
	}
	model, _, _ := strings.Cut(name, "/")
	m := w.stock.Models[model]
	if m == nil {
		return nil
	}
	for _, s := range m.Sections {
		if s.Count == 0 {
			out = append(out, s.Name)
		}
		for n := 1; n <= s.Count; n++ {
			out = append(out, fmt.Sprintf("%s %d", s.Name, n))
		}
	}
	return out
}

func (w *workImport) positions(name, section string) []refs.Ref {
	var out []refs.Ref
	if _, is := w.fresh[name]; !is && slices.Contains(w.units, name) {
		if u := w.load(name); u != nil {
			for _, p := range u.Positions {
				if p.Section == section {
					out = append(out, p.Ref)
				}
			}
		}
		return out
	}
	for _, set := range w.sets(name, section) {
		if l, err := refs.Parse(string(set.Ref)); err == nil && set.Ref != "" {
			out = append(out, l.Enumerate()...)
		}
	}
	return out
}

// sets are what the model of a unit has in a section.
func (w *workImport) sets(name, section string) []schema.PositionSet {
	model, _, _ := strings.Cut(name, "/")
	m := w.stock.Models[model]
	if m == nil {
		return nil
	}
	for _, s := range m.Sections {
		base, n, numbered := strings.Cut(section, s.Name+" ")
		if s.Name != section && !(numbered && base == "" && s.Count > 0 && n != "") {
			continue
		}
		for _, b := range m.Boards {
			if s.Board != "" && b.Name == s.Board && (s.Revision == "" || s.Revision == b.Revision) {
				return b.Positions
			}
		}
		return s.Positions
	}
	return nil
}

// fitted is what the model has in a position.
func (w *workImport) fitted(name, section string, ref refs.Ref) schema.PositionSet {
	for _, set := range w.sets(name, section) {
		if l, err := refs.Parse(string(set.Ref)); err == nil && set.Ref != "" && slices.Contains(l.Enumerate(), ref) {
			return set
		}
	}
	return schema.PositionSet{}
}

// entered puts the rows together: one record for each unit and day, and the time
// and money of each into the books.
func (w *workImport) entered(work *partslist.Work) []ledger.Entered {
	var out []ledger.Entered
	of := func(name string) *ledger.Entered {
		for i := range out {
			if out[i].Unit == name {
				return &out[i]
			}
		}
		out = append(out, ledger.Entered{Unit: name})
		return &out[len(out)-1]
	}
	for _, x := range work.Lines {
		e := of(x.Unit)
		at := slices.IndexFunc(e.Records, func(r *schema.Parts) bool {
			return r.Date == x.Day && !slices.ContainsFunc(r.Lines, func(y schema.PartLine) bool { return y.Section == x.Line.Section && y.Ref == x.Line.Ref })
		})
		if at < 0 {
			at = len(e.Records)
			e.Records = append(e.Records, &schema.Parts{Common: schema.Common{Kind: schema.KindParts, Date: x.Day, By: w.by, Note: partslist.Late(w.l.Today(), w.file)}})
		}
		e.Records[at].Lines = append(e.Records[at].Lines, x.Line)
	}
	for _, s := range work.Sums {
		e := of(s.Unit)
		if s.Hours != nil {
			e.Books = append(e.Books, schema.Book{Kind: "labour", Date: s.Day, By: w.by, Time: schema.Quantity(plainDecimal(s.Hours) + " h"), Note: partslist.Late(w.l.Today(), w.file)})
		}
		if s.Amount != nil {
			e.Books = append(e.Books, schema.Book{Kind: "cost", Date: s.Day, By: w.by, Amount: schema.Decimal(s.Amount.FloatString(2)), Currency: s.Currency, What: "parts", Note: partslist.Late(w.l.Today(), w.file)})
		}
	}
	return out
}

func plainDecimal(x *big.Rat) string {
	return strings.TrimSuffix(strings.TrimRight(x.FloatString(4), "0"), ".")
}

// show tells what a list of finished work was taken to say.
func (w *workImport) show(work *partslist.Work, entered []ledger.Entered) {
	a := w.a
	fmt.Fprintf(a.out, "%s: %s of finished work in %s\n", w.file, plural(len(work.Lines), "line"), plural(work.Rows, "row"))
	for i, l := range work.Layouts {
		if i == 0 || !sameColumns(l, work.Layouts[i-1]) {
			a.columnsLine(l)
		}
	}
	for _, m := range work.Means {
		fmt.Fprintf(a.out, "%q taken as %s (if that is wrong: --means \"%s=SECTION\")\n", m.Word, m.Means, m.Word)
	}
	for _, e := range entered {
		sort := ""
		if called, is := w.fresh[e.Unit]; is {
			sort = " (new)"
			if !strings.HasSuffix(e.Unit, "/"+called) {
				sort = fmt.Sprintf(" (new; in the list: %s)", called)
			}
		}
		fmt.Fprintf(a.out, "%s%s\n", e.Unit, sort)
		n := 0
		for _, r := range e.Records {
			for _, line := range r.Lines {
				if n++; n > shownLines && !w.f.all {
					continue
				}
				fmt.Fprintf(a.out, "  %s  %s\n", r.Date, lineWords(line))
			}
		}
		if n > shownLines && !w.f.all {
			fmt.Fprintf(a.out, "  and %d more; --all shows them\n", n-shownLines)
		}
		for _, b := range e.Books {
			what := string(b.Time)
			if b.Amount != "" {
				what = strings.TrimSpace(string(b.Amount) + " " + firstWord(b.Currency, w.l.Shop.Currency) + " for parts")
			}
			fmt.Fprintf(a.out, "  %s  books: %s %s\n", b.Date, b.Kind, what)
		}
	}
	a.notes("note", work.Said, w.f.all)
	a.notTaken(work.NotTaken, w.f.all)
}

func firstWord(list ...string) string {
	for _, s := range list {
		if s != "" {
			return s
		}
	}
	return ""
}

// lineWords tells a line in a few words.
func lineWords(line schema.PartLine) string {
	words := []string{string(line.Section), string(line.Ref), string(line.Found)}
	for _, m := range line.Mode {
		words = append(words, string(m))
	}
	words = append(words, string(line.Action))
	if c := line.New; c != nil {
		words = append(words, "by", string(c.Value), string(c.Rating), c.Type)
	}
	return strings.Join(nonEmptyWords(words...), " ")
}
