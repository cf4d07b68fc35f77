package main

import (
	"bufio"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"sort"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/ledger/partslist"
	"benchlore/schema"
	"benchlore/schema/refs"
)

// modelFlags are what the command model is told.
type modelFlags struct {
	columns           []string
	section           string
	maker, name       string
	limits, kit, proc string
	kitName           string
	all, replace, yes bool
}

func (a *app) modelCmd() *cobra.Command {
	var f modelFlags
	cmd := &cobra.Command{
		Use:   "model MODEL [LIST ...]",
		Short: "Start or extend a model from your own parts list, or show it",
		Long: `Reads a parts list as you keep it, and starts the model or adds to it: a workbook
(.xlsx), or text (.csv) in any character set, with cells set apart by commas, semicolons
or tabs. Name several lists if there is one for each board.

It says which column it takes for what, shows the model it understood, names every row
that it did not take, and asks before it saves. Columns are known by their headings, in
English, German, French, Italian, Spanish and Dutch, and by what is in them; where that
fails, --column says it, and is remembered in lists/ for lists with the same headings.

References may be grouped and ranges (C1-C4, C7; R2 thru R4), values are read in any
notation (4u7, 4,7µ/35V, .01 600V, 4.7 MFD 35WVDC). The family of a part comes from its
words; where they do not say, it is guessed from reference and value, and that is said.

Run it again after the list has changed: what the model has already is passed over. A
part that the model has otherwise is named and stays, unless you add --replace.

Without a list it shows the model.`,
		Example: `  benchlore model tessaly-halcyon parts.csv --maker Tessaly --name "Halcyon Strings 49"
  benchlore model tessaly-halcyon "divider HS-DV.csv" "power supply HS-PS.csv" --dry-run
  benchlore model tessaly-halcyon old-list.xlsx --column ref=Designator --column none=Bin
  benchlore model tessaly-halcyon
  benchlore model tessaly-halcyon --limits limits.csv
  benchlore model tessaly-halcyon --kit recap.csv --kit-name recap/1`,
		Args: args(cobra.MinimumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			sheets := 0
			for _, s := range []string{f.limits, f.kit, f.proc} {
				if s != "" {
					sheets++
				}
			}
			if sheets > 1 || sheets == 1 && len(list) > 1 {
				return usagef("read one after the other", "--limits, --kit, --procedure and a parts list are different sheets")
			}
			return a.with(func(l *ledger.Ledger) error {
				switch {
				case f.limits != "" || f.kit != "" || f.proc != "":
					return a.modelSheet(l, list[0], f)
				case len(list) == 1:
					return a.showModel(l, list[0], f.all)
				}
				return a.readList(l, list[0], list[1:], f)
			})
		},
	}
	cmd.ValidArgsFunction = func(cmd *cobra.Command, list []string, typed string) ([]string, cobra.ShellCompDirective) {
		if len(list) > 0 {
			return nil, cobra.ShellCompDirectiveDefault
		}
		return a.completeModels(cmd, list, typed)
	}
	fl := cmd.Flags()
	fl.StringArrayVar(&f.columns, "column", nil, "what a column holds, by its heading or letter: `ref=Designator`, none=Bin; may be repeated")
	fl.StringVar(&f.section, "section", "", "the `SECTION` of a list that does not say")
	fl.StringVar(&f.maker, "maker", "", "the `NAME` of the maker, for a new model")
	fl.StringVar(&f.name, "name", "", "the `NAME` on the instrument, for a new model")
	fl.StringVar(&f.limits, "limits", "", "add the limits in `SHEET`: columns point, section, low, high, nominal, source")
	fl.StringVar(&f.kit, "kit", "", "add the kit in `SHEET`: columns section, ref, new value, new rating")
	fl.StringVar(&f.kitName, "kit-name", "", "the `NAME` of the kit, with its revision: recap/1; default: the file's name")
	fl.StringVar(&f.proc, "procedure", "", "add the procedure in `SHEET`: columns do, point")
	fl.BoolVar(&f.replace, "replace", false, "take the list's word where the model has something else")
	fl.BoolVar(&f.all, "all", false, "show every part")
	fl.BoolVar(&f.yes, "yes", false, "do not ask")
	a.writeFlags(cmd)
	return cmd
}

// askLine asks one question at the terminal; Enter alone is the default.
func (a *app) askLine(question, standard string) (string, error) {
	if standard != "" {
		question += " [" + standard + "]"
	}
	fmt.Fprintf(a.err, "%s ", question)
	if a.typed == nil {
		a.typed = bufio.NewReader(a.in)
	}
	line, err := a.typed.ReadString('\n')
	if err != nil && line == "" {
		fmt.Fprintln(a.err)
		return "", usagef("", "nothing was saved: the question was not answered")
	}
	if line = strings.TrimSpace(line); line == "" {
		line = standard
	}
	return line, nil
}

// agreed asks whether to go on; where nobody can be asked it goes on.
func (a *app) agreed(question string, yes bool) (bool, error) {
	if yes || a.dryRun || a.json || !a.interactive() {
		return true, nil
	}
	answer, err := a.askLine(question+" [Y/n]", "")
	return err == nil && (answer == "" || strings.EqualFold(answer, "y") || strings.EqualFold(answer, "yes")), err
}

// sheetsOf reads the tables of several files.
func (a *app) sheetsOf(files []string) ([]*partslist.Sheet, error) {
	var out []*partslist.Sheet
	for _, name := range files {
		data, err := a.readUpTo(name, partslist.MaxSize)
		if err != nil {
			return nil, err
		}
		shown := filepath.Base(name)
		if name == "-" {
			shown = "standard input"
		}
		sheets, err := partslist.ReadSheets(shown, data)
		if err != nil {
			return nil, listError(err)
		}
		out = append(out, sheets...)
	}
	return out, nil
}

// listError is a list that cannot be read, as a mistake of the command line: the
// option that helps is part of it.
func listError(err error) error {
	var bad *partslist.Error
	if errors.As(err, &bad) {
		return usagef(bad.Remedy, "%s", bad.Error())
	}
	return err
}

// choices reads --column.
func choices(texts, words []string) ([]partslist.ColumnChoice, error) {
	var out []partslist.ColumnChoice
	for _, t := range texts {
		c, err := partslist.ParseColumn(t, words)
		if err != nil {
			return nil, usagef("write it like --column ref=Designator; a column holds one of: "+strings.Join(words, ", "), "--column: %v", err)
		}
		out = append(out, c)
	}
	return out, nil
}

// rememberedColumns are what the shop has said of lists with the same headings.
func rememberedColumns(forms []schema.ListForm) func([]string) []partslist.ColumnChoice {
	return func(headings []string) []partslist.ColumnChoice {
		for _, f := range forms {
			if len(headings) == 0 || !ledger.SameHeadings(f.Headings, headings) {
				continue
			}
			var out []partslist.ColumnChoice
			for _, c := range f.Columns {
				out = append(out, partslist.ColumnChoice{Is: string(c.Holds), Heading: c.Heading})
			}
			return out
		}
		return nil
	}
}

// readList starts or extends a model from parts lists.
func (a *app) readList(l *ledger.Ledger, slug string, files []string, f modelFlags) error {
	if err := ledger.CheckSlug("model", slug); err != nil {
		return err
	}
	told, err := choices(f.columns, partslist.PartColumns)
	if err != nil {
		return err
	}
	sheets, err := a.sheetsOf(files)
	if err != nil {
		return err
	}
	forms, err := l.ListForms()
	if err != nil {
		return err
	}
	opt := partslist.Options{Columns: told, Remembered: rememberedColumns(forms), Section: f.section, Answers: map[string]string{}}
	list, err := a.understand(sheets, opt, files)
	if err != nil {
		return err
	}
	if err := unusedChoices(list, told); err != nil {
		return err
	}
	known, err := l.Models()
	if err != nil {
		return err
	}
	if !slices.Contains(known, slug) {
		for _, q := range []struct {
			to       *string
			question string
		}{{&f.maker, "Who made it?"}, {&f.name, "What is it called, without the maker?"}} {
			if *q.to != "" {
				continue
			}
			if !a.interactive() || a.json {
				return usagef("write it like: benchlore model "+slug+" "+shellWords(files)+" --maker NAME --name NAME", "the ledger has no model %s yet, so it must know who made it and what it is called", slug)
			}
			if *q.to, err = a.askLine(q.question, ""); err != nil {
				return err
			}
		}
	}
	if len(list.Positions) == 0 {
		a.notTaken(list.NotTaken, f.all)
		return usagef("say which column holds the references: --column ref=A", "%s: no part was found", strings.Join(baseNames(files), ", "))
	}
	var growth partslist.Growth
	change := ledger.ModelChange{Maker: f.maker, Name: f.name, Forms: formsOf(list, told), FormName: strings.TrimSuffix(filepath.Base(files[0]), filepath.Ext(files[0])),
		Change: func(m *schema.Model) error {
			growth = partslist.Grow(m, list, f.replace)
			return nil
		},
		Subject: func(m *schema.Model) string {
			return fmt.Sprintf("model %s: %s from %s", slug, plural(growth.Added+growth.Filled, "part"), strings.Join(baseNames(files), ", "))
		}}
	dry := a.dryRun
	if !dry {
		// What would be written is shown before anybody is asked.
		rehearsal, err := a.openToRead()
		if err != nil {
			return err
		}
		_, m, err := rehearsal.ChangeModel(slug, change)
		err = errors.Join(err, rehearsal.Close())
		if err != nil {
			return err
		}
		if !a.json {
			a.understoodList(slug, m, list, growth, f.all)
		}
	} else {
		_, m, err := l.ChangeModel(slug, change)
		if err != nil {
			return err
		}
		if !a.json {
			a.understoodList(slug, m, list, growth, f.all)
		}
	}
	if ok, err := a.agreed("save it?", f.yes || growth.Added+growth.Filled == 0 && !f.replace); err != nil {
		return err
	} else if !ok {
		return usagef("to read a column otherwise: --column ref=A; to put the parts into another section: --section NAME", "nothing was saved")
	}
	res, _, err := l.ChangeModel(slug, change)
	if err != nil {
		return err
	}
	if a.json {
		return a.printJSON(struct {
			ledger.Result
			Model    string             `json:"model"`
			Parts    int                `json:"parts"`
			Added    int                `json:"added"`
			Same     int                `json:"same"`
			Filled   int                `json:"filled"`
			Differs  []partslist.Note   `json:"differs,omitempty"`
			NotTaken []partslist.Note   `json:"notTaken,omitempty"`
			Said     []partslist.Note   `json:"said,omitempty"`
			Columns  []partslist.Column `json:"columns"`
		}{res, slug, partCount(list), growth.Added, growth.Same, growth.Filled, growth.Differs, list.NotTaken, list.Said, list.Layouts[0].Columns})
	}
	if len(res.Files) == 0 {
		fmt.Fprintf(a.out, "the model has all of it already: nothing to save\n")
		return nil
	}
	verb := "saved"
	if a.dryRun {
		verb = "would save"
	}
	for _, p := range res.Files {
		fmt.Fprintf(a.out, "%s %s\n", verb, p)
	}
	if !a.dryRun && growth.Added > 0 {
		fmt.Fprintf(a.out, "next: benchlore new %s TAG\n", slug)
	}
	return nil
}

// openToRead opens the ledger once more, for a rehearsal that writes nothing.
func (a *app) openToRead() (*ledger.Ledger, error) {
	was := a.dryRun
	a.dryRun = true
	defer func() { a.dryRun = was }()
	return a.open()
}

func baseNames(files []string) []string {
	var out []string
	for _, f := range files {
		out = append(out, filepath.Base(f))
	}
	return out
}

// shellWords writes file names as they are typed.
func shellWords(files []string) string {
	var out []string
	for _, f := range files {
		if strings.ContainsAny(f, " ()&;'") {
			f = `"` + f + `"`
		}
		out = append(out, f)
	}
	return strings.Join(out, " ")
}

// understand reads the lists, and asks what they leave open.
func (a *app) understand(sheets []*partslist.Sheet, opt partslist.Options, files []string) (*partslist.List, error) {
	list, err := partslist.Read(sheets, opt)
	if err != nil {
		return nil, listError(err)
	}
	if len(list.Questions) == 0 {
		return list, nil
	}
	if !a.interactive() || a.json {
		q := list.Questions[0]
		return nil, usagef("add "+q.Option, "%s", strings.TrimSuffix(lowerFirst(q.Text), "?")+"? The list does not say")
	}
	for _, q := range list.Questions {
		if opt.Answers[q.Key], err = a.askLine(q.Text, q.Default); err != nil {
			return nil, err
		}
		if opt.Answers[q.Key] == "" {
			return nil, usagef("add "+q.Option, "nothing was saved: the question was not answered")
		}
	}
	list, err = partslist.Read(sheets, opt)
	return list, listError(err)
}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// unusedChoices refuses a --column whose heading no list has.
func unusedChoices(list *partslist.List, told []partslist.ColumnChoice) error {
	for _, c := range told {
		used := false
		var heads []string
		for _, l := range list.Layouts {
			for _, k := range l.Columns {
				used = used || k.From == "told" && k.Is == c.Is
				if k.Heading != "" && !slices.Contains(heads, k.Heading) {
					heads = append(heads, k.Heading)
				}
			}
		}
		if !used {
			return usagef("its columns are: "+strings.Join(heads, ", "), "--column %s=%s: the list has no column %q", c.Is, c.Heading, c.Heading)
		}
	}
	return nil
}

// formsOf are the answers to be remembered: what was told of lists with headings.
func formsOf(list *partslist.List, told []partslist.ColumnChoice) []schema.ListForm {
	var out []schema.ListForm
	for _, l := range list.Layouts {
		f := schema.ListForm{Headings: l.Headings}
		for _, c := range l.Columns {
			if c.From == "told" && c.Heading != "" {
				f.Columns = append(f.Columns, schema.ListColumn{Heading: c.Heading, Holds: schema.ColumnHolds(c.Is)})
			}
		}
		if len(f.Columns) > 0 && !slices.ContainsFunc(out, func(x schema.ListForm) bool { return ledger.SameHeadings(x.Headings, f.Headings) }) {
			out = append(out, f)
		}
	}
	return out
}

func partCount(list *partslist.List) int {
	n := 0
	for _, p := range list.Positions {
		n += max(1, p.Count)
	}
	return n
}

// understoodList shows what a list was taken to say.
func (a *app) understoodList(slug string, m *schema.Model, list *partslist.List, g partslist.Growth, all bool) {
	fmt.Fprintf(a.out, "%s, %s %s: %s in %s\n", slug, m.Maker, m.Name, plural(partCount(list), "part"), plural(list.Rows, "row"))
	for i, l := range list.Layouts {
		if i > 0 && sameColumns(l, list.Layouts[i-1]) {
			continue
		}
		a.columnsLine(l)
	}
	a.modelTable(m, all)
	if g.Same+g.Filled+len(g.Differs) > 0 {
		fmt.Fprintf(a.out, "new: %d, the same: %d, completed: %d, different: %d\n", g.Added, g.Same, g.Filled, len(g.Differs))
	}
	a.notes("different", g.Differs, all)
	a.notes("note", list.Said, all)
	a.notTaken(list.NotTaken, all)
}

func sameColumns(a, b *partslist.Layout) bool {
	return slices.EqualFunc(a.Columns, b.Columns, func(x, y partslist.Column) bool { return x.At == y.At && x.Is == y.Is && x.Heading == y.Heading })
}

// columnsLine says which column was taken for what.
func (a *app) columnsLine(l *partslist.Layout) {
	var read, not []string
	for _, c := range l.Columns {
		name := c.Heading
		if name == "" {
			name = "column " + c.Letter()
		}
		switch {
		case c.Is == partslist.ColNone:
			not = append(not, name)
		case strings.EqualFold(name, c.Is):
			read = append(read, name)
		default:
			read = append(read, name+" = "+c.Is)
		}
	}
	at := "columns"
	if l.Sheet != "" {
		at = "columns of sheet " + l.Sheet
	}
	fmt.Fprintf(a.out, "%s: %s", at, strings.Join(read, ", "))
	if len(not) > 0 {
		fmt.Fprintf(a.out, "; not read: %s", strings.Join(not, ", "))
	}
	fmt.Fprintln(a.out)
}

// modelTable shows a model, a section a line, or every set of parts.
func (a *app) modelTable(m *schema.Model, all bool) {
	rows := [][]string{}
	for _, s := range m.Sections {
		sets, board := s.Positions, s.Board
		for _, b := range m.Boards {
			if b.Name == s.Board && (s.Revision == "" || s.Revision == b.Revision) {
				sets = b.Positions
			}
		}
		name := s.Name
		if s.Count > 0 {
			name = fmt.Sprintf("%s 1-%d", s.Name, s.Count)
		}
		byFamily := map[string]int{}
		var order []string
		total := 0
		for _, set := range sets {
			n := set.Count
			if l, err := refs.Parse(string(set.Ref)); err == nil && set.Ref != "" {
				n = len(l.Enumerate())
			}
			group, _, _ := strings.Cut(string(set.Family), "/")
			if byFamily[group] == 0 {
				order = append(order, group)
			}
			byFamily[group] += n
			total += n
		}
		sort.SliceStable(order, func(i, j int) bool { return byFamily[order[i]] > byFamily[order[j]] })
		var words []string
		for _, g := range order {
			words = append(words, fmt.Sprintf("%d %s", byFamily[g], g))
		}
		of := fmt.Sprint(total)
		if s.Count > 0 {
			of = fmt.Sprintf("%d x %d", s.Count, total)
		}
		if !all {
			rows = append(rows, []string{name, board, of, someOf(words, 4)})
			continue
		}
		for i, set := range sets {
			at := name
			if i > 0 {
				at, board = "", ""
			}
			ref := string(set.Ref)
			if ref == "" {
				ref = fmt.Sprintf("%d without reference", set.Count)
			}
			rows = append(rows, []string{at, board, ref, strings.TrimRight(fmt.Sprintf("%s  %s", set.Family, strings.Join(nonEmptyWords(string(set.Value), string(set.Rating), set.Type), " ")), " ")})
		}
	}
	heads := []string{"section", "board", "parts", "of these"}
	if all {
		heads = []string{"section", "board", "reference", "what"}
	}
	output := a.output
	a.output = ""
	_ = a.table(heads, rows)
	a.output = output
}

func nonEmptyWords(list ...string) []string {
	return slices.DeleteFunc(list, func(s string) bool { return s == "" })
}

// notes tells what was odd, those alike once.
func (a *app) notes(sort string, list []partslist.Note, all bool) {
	groups := together(list, func(n partslist.Note) string { return n.File + n.Sheet + afterColon(n.What) + n.Write })
	for i, alike := range groups {
		if i == 12 && !all {
			fmt.Fprintf(a.out, "%s: and %d more; --all shows them\n", sort, len(groups)-i)
			return
		}
		n := alike[0]
		what := n.What
		if len(alike) > 1 {
			var rows []string
			for _, x := range alike {
				rows = append(rows, fmt.Sprint(x.Row))
			}
			n.Row = 0
			what = "rows " + someOf(rows, 8) + ": " + afterColon(what)
		}
		at := strings.TrimPrefix(n.At(), n.File)
		at = strings.TrimPrefix(at, ", ")
		if at != "" {
			at += ": "
		}
		fmt.Fprintf(a.out, "%s: %s%s", sort, at, what)
		if n.Write != "" {
			fmt.Fprintf(a.out, " (%s)", n.Write)
		}
		fmt.Fprintln(a.out)
	}
}

// afterColon is what is said, without the part it is said of.
func afterColon(s string) string {
	if _, after, ok := strings.Cut(s, ": "); ok {
		return after
	}
	return s
}

// notTaken names the rows that were left out, and what to write in them.
func (a *app) notTaken(list []partslist.Note, all bool) {
	for i, n := range list {
		if i == shownLines && !all {
			fmt.Fprintf(a.out, "not taken: and %d more; --all shows them\n", len(list)-i)
			return
		}
		fmt.Fprintf(a.out, "not taken: %s: %s", n.At(), n.What)
		if n.Write != "" {
			fmt.Fprintf(a.out, " (%s)", n.Write)
		}
		fmt.Fprintln(a.out)
	}
}

// showModel shows a model as the ledger has it.
func (a *app) showModel(l *ledger.Ledger, slug string, all bool) error {
	stock, err := l.Catalog()
	if err != nil {
		return err
	}
	m := stock.Models[slug]
	if m == nil {
		known, err := l.Models()
		if err != nil {
			return err
		}
		hint := "start it from your parts list: benchlore model " + slug + " LIST.csv --maker NAME --name NAME"
		if near := schema.Nearest(slug, known); near != "" {
			hint = "did you mean " + near + "?"
		}
		return usagef(hint, "the ledger has no model %q", slug)
	}
	if a.json {
		return a.printJSON(schema.Plain(m))
	}
	fmt.Fprintf(a.out, "%s, %s %s\n", slug, m.Maker, m.Name)
	a.modelTable(m, all)
	fmt.Fprintf(a.out, "%s, %s, %s\n", plural(len(m.Limits), "limit"), plural(len(m.Kits), "kit"), plural(len(m.Procedures), "procedure"))
	return nil
}

// modelSheet adds limits, a kit or a procedure from a sheet.
func (a *app) modelSheet(l *ledger.Ledger, slug string, f modelFlags) error {
	file := f.limits + f.kit + f.proc
	sheets, err := a.sheetsOf([]string{file})
	if err != nil {
		return err
	}
	name, revision, _ := strings.Cut(f.kitName, "/")
	if name == "" {
		name, revision, _ = strings.Cut(strings.TrimSuffix(filepath.Base(file), filepath.Ext(file)), " ")
	}
	var added, same int
	what := "limit"
	change := ledger.ModelChange{Subject: func(*schema.Model) string {
		return fmt.Sprintf("model %s: %s from %s", slug, plural(added, what), filepath.Base(file))
	}}
	switch {
	case f.limits != "":
		limits, err := partslist.ReadLimits(sheets)
		if err != nil {
			return listError(err)
		}
		change.Change = func(m *schema.Model) error {
			added, same = partslist.GrowLimits(m, limits, f.replace)
			return nil
		}
	case f.kit != "":
		what = "kit"
		kit, err := partslist.ReadKit(sheets, name, revision)
		if err != nil {
			return listError(err)
		}
		change.Change = func(m *schema.Model) error {
			var err error
			added, same, err = partslist.GrowKits(m, kit, f.replace)
			return listError(err)
		}
	default:
		what = "procedure"
		if revision == "" {
			revision = "1"
		}
		p, err := partslist.ReadProcedure(sheets, name, revision)
		if err != nil {
			return listError(err)
		}
		change.Change = func(m *schema.Model) error {
			var err error
			added, same, err = partslist.GrowProcedures(m, p, f.replace)
			return listError(err)
		}
	}
	res, m, err := l.ChangeModel(slug, change)
	if err != nil {
		return err
	}
	if a.json {
		return a.printJSON(res)
	}
	fmt.Fprintf(a.out, "%s, %s %s: %s new or changed, %d there already\n", slug, m.Maker, m.Name, plural(added, what), same)
	verb := "saved"
	if a.dryRun {
		verb = "would save"
	}
	for _, p := range res.Files {
		fmt.Fprintf(a.out, "%s %s\n", verb, p)
	}
	return nil
}
