package main

import (
	"fmt"
	"io"
	"path"
	"slices"
	"strings"

	"github.com/olekukonko/tablewriter"
	"github.com/olekukonko/tablewriter/renderer"
	"github.com/olekukonko/tablewriter/tw"
	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/reports/page"
	"benchlore/reports/worklist"
	"benchlore/schema"
	"benchlore/schema/unit"
)

func (a *app) whereCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "where",
		Short: "Every open unit: last thing done, what is pending, whether it may be powered",
		Long: `Shows every unit with an open job, and those here without one: whether it may be
switched on, what is due, how far the job has come and when something was last
recorded, open faults and pending parts. What is due comes first, then the unit on the
bench.`,
		Example: `  benchlore where
  benchlore where -o bench.txt`,
		Args: args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			return a.overview(func(l *ledger.Ledger) error {
				all, err := a.statuses(l)
				if err != nil {
					return err
				}
				list, gone := []worklist.Status{}, 0
				for _, s := range all {
					switch {
					case s.Open, s.State == worklist.StateWaiting:
						list = append(list, s)
					case len(s.Due) > 0:
						gone++
					}
				}
				worklist.SortWhere(list)
				conflicts, err := l.Conflicts()
				if err != nil {
					return err
				}
				last := l.LastBackup()
				if a.json {
					return a.printJSON(struct {
						Units     []worklist.Status  `json:"units"`
						Conflicts int                `json:"conflicts"`
						Backup    *ledger.LastBackup `json:"lastBackup"`
					}{list, len(conflicts), last})
				}
				return a.write(func(w io.Writer) error {
					if err := worklist.WriteWhere(w, list, a.text(l)); err != nil {
						return err
					}
					if gone > 0 {
						fmt.Fprintf(w, "\nsomething is due on %s that left; see: benchlore list --due\n", plural(gone, "unit"))
					}
					if len(conflicts) > 0 {
						fmt.Fprintf(w, "\nto settle: %s; see: benchlore settle\n", plural(len(conflicts), "version"))
					}
					_, err := fmt.Fprintf(w, "\nlast backup: %s\n", backupAge(last))
					return err
				})
			})
		},
	}
	a.printFlags(cmd)
	return cmd
}

// statuses reads the status of every unit.
func (a *app) statuses(l *ledger.Ledger) ([]worklist.Status, error) {
	return worklist.StatusesOf(l)
}

// listed is one line of list units.
type listed struct {
	worklist.Status
	// The state in words and its day, as list has had them from the beginning.
	State string `json:"state"`
	Since string `json:"since"`
}

// lists are what list takes.
var lists = []string{"units", "models", "lots", "families", "kits"}

type listFlags struct {
	states, models []string
	due            bool
}

func (a *app) listCmd() *cobra.Command {
	var f listFlags
	cmd := &cobra.Command{
		Use:   "list [units|models|lots|families|kits]",
		Short: "List units, models, lots, families or kits",
		Long: `Lists units, unless another list is named: where each one is and since when, how
many days ago something was last recorded, its open faults, pending parts, and what is due.

--state takes: ` + strings.Join(worklist.States(), ", ") + `.
A unit is "waiting" when it is here and nothing was done yet, "back" when a comeback's
job is open, "silent" when it left and nothing was heard of it for two years.`,
		Example: `  benchlore list --state open
  benchlore list --state sold,shipped --model longwave-3
  benchlore list --due
  benchlore list lots`,
		ValidArgs: lists,
		Args:      args(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, list []string) error {
			which := first(list)
			if which != "" && !slices.Contains(lists, which) {
				return unknownWord("the list", which, lists)
			}
			for _, s := range f.states {
				if !slices.Contains(worklist.States(), s) {
					return unknownWord("--state", s, worklist.States())
				}
			}
			if which != "" && which != "units" && (f.due || len(f.states)+len(f.models) > 0) {
				return usagef("leave them out", "--state, --model and --due choose units, not %s", which)
			}
			return a.overview(func(l *ledger.Ledger) error {
				if which == "" || which == "units" {
					return a.listUnits(l, f)
				}
				stock, err := l.Catalog()
				if err != nil {
					return err
				}
				switch which {
				case "models":
					return a.listModels(stock)
				case "lots":
					return a.listLots(stock)
				case "families":
					return a.listFamilies(stock)
				}
				return a.listKits(stock)
			})
		},
	}
	cmd.Flags().StringSliceVar(&f.states, "state", nil, "only units in this `STATE`, or several")
	cmd.Flags().StringSliceVar(&f.models, "model", nil, "only units of this `MODEL`, or several")
	cmd.Flags().BoolVar(&f.due, "due", false, "only units with something due, and what")
	a.printFlags(cmd)
	_ = cmd.RegisterFlagCompletionFunc("state", cobra.FixedCompletions(worklist.States(), cobra.ShellCompDirectiveNoFileComp))
	_ = cmd.RegisterFlagCompletionFunc("model", a.completeModels)
	return cmd
}

func (a *app) listUnits(l *ledger.Ledger, f listFlags) error {
	if err := knownModels(l, f.models); err != nil {
		return err
	}
	all, err := a.statuses(l)
	if err != nil {
		return err
	}
	list := []worklist.Status{}
	for _, s := range all {
		model, _, _ := strings.Cut(s.Unit, "/")
		if (len(f.models) == 0 || slices.Contains(f.models, model)) && (!f.due || len(s.Due) > 0) &&
			(len(f.states) == 0 || slices.ContainsFunc(f.states, s.Is)) {
			list = append(list, s)
		}
	}
	if a.json {
		out := make([]listed, len(list))
		for i, s := range list {
			out[i] = listed{s, s.StateWords(), s.StateSince}
		}
		return a.printJSON(out)
	}
	return a.write(func(w io.Writer) error {
		if f.due {
			return worklist.WriteDue(w, list, a.text(l))
		}
		return worklist.WriteList(w, list, a.text(l))
	})
}

// knownModels refuses models that the ledger does not have.
func knownModels(l *ledger.Ledger, names []string) error {
	if len(names) == 0 {
		return nil
	}
	known, err := l.Models()
	if err != nil {
		return err
	}
	for _, n := range names {
		if !slices.Contains(known, n) {
			return unknownWord("--model", n, known)
		}
	}
	return nil
}

func (a *app) listModels(stock *ledger.Catalog) error {
	if a.json {
		return a.printJSON(schema.Plain(stock.Models))
	}
	rows := [][]string{}
	for _, n := range sorted(stock.Models) {
		m := stock.Models[n]
		complete := 0
		for _, b := range m.Boards {
			if b.Complete {
				complete++
			}
		}
		rows = append(rows, []string{n, m.Maker + " " + m.Name, string(m.Made), fmt.Sprint(len(m.Sections)),
			fmt.Sprintf("%d/%d", complete, len(m.Boards)), fmt.Sprint(len(m.Kits)), fmt.Sprint(len(m.Limits))})
	}
	return a.table([]string{"model", "", "made", "sections", "complete", "kits", "limits"}, rows)
}

func (a *app) listLots(stock *ledger.Catalog) error {
	if a.json {
		return a.printJSON(schema.Plain(stock.Lots))
	}
	rows := [][]string{}
	for _, n := range sorted(stock.Lots) {
		l := stock.Lots[n]
		verdict := ""
		if k := len(l.Notices); k > 0 {
			verdict = string(l.Notices[k-1].Verdict)
		}
		rows = append(rows, []string{n, string(l.Family), strings.TrimSpace(string(l.Part.Value) + " " + string(l.Part.Rating)),
			l.Date.String(), fmt.Sprint(l.Quantity), fmt.Sprintf("%d of %d", l.Rejected, l.Tested), verdict})
	}
	return a.table([]string{"lot", "family", "part", "came", "number", "rejected", "verdict"}, rows)
}

func (a *app) listFamilies(stock *ledger.Catalog) error {
	if a.json {
		return a.printJSON(schema.Plain(stock.Families))
	}
	rows := [][]string{}
	for _, n := range stock.Families.Names() {
		f := stock.Families[schema.FamilyName(n)]
		hidden := ""
		if f.Hidden {
			hidden = "hidden"
		}
		rows = append(rows, []string{n, f.Title, hidden, f.Failed})
	}
	return a.table([]string{"family", "", "", "counts as failed when"}, rows)
}

func (a *app) listKits(stock *ledger.Catalog) error {
	type kit struct {
		Model string `json:"model"`
		Kit   any    `json:"kit"`
	}
	kits := []kit{}
	rows := [][]string{}
	for _, n := range sorted(stock.Models) {
		for _, k := range stock.Models[n].Kits {
			kits = append(kits, kit{n, schema.Plain(k)})
			rows = append(rows, []string{n, k.Name, k.Revision, fmt.Sprint(len(k.Lines)), k.Title})
		}
	}
	if a.json {
		return a.printJSON(kits)
	}
	return a.table([]string{"model", "kit", "revision", "lines", ""}, rows)
}

func sorted[V any](m map[string]V) []string {
	names := make([]string, 0, len(m))
	for n := range m {
		names = append(names, n)
	}
	slices.Sort(names)
	return names
}

func (a *app) showCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "show [UNIT] [RECORD]",
		Short: "Show a unit, or one of its records",
		Long: `Shows who a unit is, its jobs, faults and records; with RECORD (a file name or the
end of it) the record itself.`,
		Example: `  benchlore show a61-10233
  benchlore show a61-10233 7q3f`,
		Args: args(cobra.MaximumNArgs(2)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, first(list))
				if err != nil {
					return err
				}
				stock, err := l.Catalog()
				if err != nil {
					return err
				}
				u, err := l.Unit(name, stock)
				if err != nil {
					return err
				}
				if len(list) == 2 {
					return a.showRecord(u, list[1])
				}
				if a.json {
					return a.printJSON(unitJSON(u, l.Today()))
				}
				return a.write(func(w io.Writer) error { return showUnit(w, u, l.Today()) })
			})
		},
	}
	a.printFlags(cmd)
	return cmd
}

func (a *app) showRecord(u *ledger.Loaded, which string) error {
	which = strings.TrimSuffix(path.Base(which), ".toml")
	var found []unit.File
	for _, f := range u.Unit.Files {
		if f.Name() == which || strings.HasSuffix(f.Name(), which) {
			found = append(found, f)
		}
	}
	switch len(found) {
	case 0:
		return usagef("see: benchlore show "+u.Name, "%s has no record %q", u.Name, which)
	case 1:
	default:
		return usagef("write more of its name", "%q could be any of %d records", which, len(found))
	}
	if a.json {
		return a.printJSON(schema.Plain(found[0].Record))
	}
	return a.write(func(w io.Writer) error {
		fmt.Fprintf(w, "# %s\n", found[0].Path)
		_, err := w.Write(found[0].Data)
		return err
	})
}

type unitView struct {
	Unit       string           `json:"unit"`
	Instrument any              `json:"instrument"`
	State      string           `json:"state"`
	Since      string           `json:"since"`
	Positions  int              `json:"positions"`
	Faults     []*unitFault     `json:"faults"`
	Records    []recordView     `json:"records"`
	Problems   []schema.Problem `json:"problems"`
}

type unitFault struct {
	ID      string `json:"id"`
	Symptom string `json:"symptom"`
	State   string `json:"state"`
	Note    string `json:"note,omitempty"`
}

type recordView struct {
	Name    string `json:"name"`
	Date    string `json:"date"`
	Kind    string `json:"kind"`
	By      string `json:"by"`
	Summary string `json:"summary"`

	Withdrawn bool `json:"withdrawn,omitempty"`
}

func unitJSON(u *ledger.Loaded, today schema.Date) unitView {
	st := worklist.NewStatus(u.Unit, today)
	state, since := st.StateWords(), st.StateSince
	v := unitView{Unit: u.Name, Instrument: schema.Plain(u.Instrument), State: state, Since: since, Positions: len(u.Positions), Problems: u.Problems,
		Faults: []*unitFault{}, Records: []recordView{}}
	for _, f := range u.Faults {
		v.Faults = append(v.Faults, &unitFault{f.ID, f.Symptom, string(f.State), f.Note})
	}
	for _, f := range u.Unit.Files {
		h := f.Record.Head()
		v.Records = append(v.Records, recordView{f.Name(), h.Date.String(), string(h.Kind), h.By, schema.Summary(f.Record), h.Withdrawn})
	}
	return v
}

func showUnit(w io.Writer, u *ledger.Loaded, today schema.Date) error {
	v := unitJSON(u, today)
	i := u.Instrument
	fmt.Fprintf(w, "%s  %s\n", v.Unit, title(u.Unit))
	row := func(name, format string, args ...any) {
		fmt.Fprintf(w, "  %-10s %s\n", name, fmt.Sprintf(format, args...))
	}
	row("state", "%s %s", v.State, v.Since)
	if p, why, _ := u.Power(); p == schema.PowerForbidden {
		row("power", "DO NOT POWER: %s", orNone(why, "no reason recorded"))
	} else if p != "" {
		row("power", "%s", strings.TrimSuffix(string(p)+": "+why, ": "))
	}
	if i.Built != "" {
		row("built", "%s (%s)", i.Built, orNone(i.BuiltFrom, "no source given"))
	}
	for _, s := range i.Serials {
		row("serial", "%s: %s %s", s.Place, s.Value, s.How)
	}
	row("uuid", "%s", i.UUID)
	for _, f := range v.Faults {
		row("fault", "%s %s: %s", f.ID, f.State, f.Symptom)
	}
	fmt.Fprintln(w)
	for _, r := range v.Records {
		mark := ""
		if r.Withdrawn {
			mark = "WITHDRAWN  "
		}
		fmt.Fprintf(w, "  %s  %-13s %-3s %s  %s%s\n", r.Date, r.Kind, r.By, r.Name[len(r.Name)-4:], mark, r.Summary)
	}
	if n, m := schema.Count(u.Problems); n+m > 0 {
		fmt.Fprintf(w, "\n  %s and %s: see benchlore check %s\n", plural(n, "error"), plural(m, "warning"), u.Name)
	}
	return nil
}

func (a *app) historyCmd() *cobra.Command {
	var shop, all bool
	cmd := &cobra.Command{
		Use:   "history [UNIT]",
		Short: "What was recorded and corrected, step by step, with the fields that changed",
		Long: `Shows the unit's own history: what travels with it. With --shop it shows every
save of the shop's ledger that touched the unit, those taken back included.
One line for each change; long ones are cut, and --all prints them whole.`,
		Example: `  benchlore history a61-10233
  benchlore history --shop`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, first(list))
				if err != nil {
					return err
				}
				steps, err := l.UnitHistory(name)
				if shop {
					steps, err = l.ShopHistory(name)
				}
				if err != nil {
					return err
				}
				if a.json {
					if steps == nil {
						steps = []ledger.Step{}
					}
					return a.printJSON(steps)
				}
				return a.write(func(w io.Writer) error { return printLog(w, name, steps, shop, all) })
			})
		},
	}
	cmd.Flags().BoolVar(&shop, "shop", false, "the shop's ledger instead of the unit's own history")
	cmd.Flags().BoolVar(&all, "all", false, "print long changes whole")
	a.printFlags(cmd)
	return cmd
}

// longestChange is how many letters of a change history prints: a kit that was
// put into a model is one change, of two thousand.
const longestChange = 160

func printLog(w io.Writer, name string, steps []ledger.Step, shop, all bool) error {
	if len(steps) == 0 {
		if shop {
			fmt.Fprintf(w, "%s: nothing is recorded\n", name)
		} else {
			fmt.Fprintf(w, "%s: nothing is closed yet; see benchlore history --shop\n", name)
		}
		return nil
	}
	cut := false
	for _, s := range steps {
		signed := ""
		switch {
		case s.Bad != "":
			signed = "  BAD SIGNATURE"
		case s.Signed != "":
			signed = "  signed " + s.Signed
		}
		fmt.Fprintf(w, "%s  %.10s  %s  %s%s\n", s.Saved.Format("2006-01-02"), s.Commit, s.Author, s.Subject, signed)
		for _, f := range s.Files {
			if f.What != "changed" {
				if shop {
					fmt.Fprintf(w, "    %s %s\n", f.What, f.Path)
				}
				continue
			}
			fmt.Fprintf(w, "    changed %s\n", f.Path)
			if f.Reason != "" {
				fmt.Fprintf(w, "      reason: %s\n", f.Reason)
			}
			for _, c := range f.Changes {
				text := []rune(c.String())
				if len(text) > longestChange && !all {
					cut = true
					text = append(text[:longestChange-4:longestChange-4], []rune(" ...")...)
				}
				fmt.Fprintf(w, "      %s\n", string(text))
			}
		}
	}
	if cut {
		fmt.Fprintln(w, "\nlong changes are cut; whole: --all")
	}
	return nil
}

func (a *app) findCmd() *cobra.Command {
	var o worklist.FindOptions
	var unitFlag, since, until string
	cmd := &cobra.Command{
		Use:   "find TEXT ...",
		Short: "Find text in all records, models, lots and books",
		Long: `Searches the text of every record, instrument, model, lot and book, ignoring case,
and prints file:line with the line and what it is about. When several TEXTs are given,
the file must contain all of them; quote words that belong together.

--kind takes: ` + strings.Join(worklist.FindKinds(), ", ") + `.
"model" also searches the models that units carry. --since and --until go by the
date of the record.

The exit code is 1 when nothing was found.`,
		Example: `  benchlore find "cold joint"
  benchlore find hum --kind intake --since 2030-01-01
  benchlore find --regexp "Q[56].*leak" --unit a61-18052`,
		Args: args(cobra.MinimumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			o.Texts = list
			for _, k := range o.Kinds {
				if !slices.Contains(worklist.FindKinds(), k) {
					return unknownWord("--kind", k, worklist.FindKinds())
				}
			}
			for _, d := range []struct {
				flag, text string
				to         *schema.Date
			}{{"--since", since, &o.Since}, {"--until", until, &o.Until}} {
				if d.text == "" {
					continue
				}
				day, err := schema.ParseDate(d.text)
				if err != nil {
					return usagef("write it like 2031-03-04", "%s: %v", d.flag, err)
				}
				*d.to = day
			}
			return a.overview(func(l *ledger.Ledger) error {
				if unitFlag != "" {
					name, err := l.Resolve(unitFlag)
					if err != nil {
						return err
					}
					o.Unit = name
				}
				found, err := worklist.Search(l, o)
				if err != nil {
					return err
				}
				if a.json {
					err = a.printJSON(found)
				} else if len(found) > 0 {
					err = a.write(func(w io.Writer) error { return worklist.WriteFound(w, found, a.text(l)) })
				}
				if err == nil && len(found) == 0 {
					fmt.Fprintln(a.err, "benchlore: nothing found")
					err = errFound
				}
				return err
			})
		},
	}
	cmd.Flags().BoolVar(&o.Regexp, "regexp", false, "TEXT is a regular expression; upper and lower case differ")
	cmd.Flags().StringSliceVar(&o.Kinds, "kind", nil, "only files of this `KIND`, or several")
	cmd.Flags().StringVar(&unitFlag, "unit", "", "only this `UNIT`")
	cmd.Flags().StringVar(&since, "since", "", "only records of this `DAY` or later")
	cmd.Flags().StringVar(&until, "until", "", "only records of this `DAY` or earlier")
	a.printFlags(cmd)
	_ = cmd.RegisterFlagCompletionFunc("kind", cobra.FixedCompletions(worklist.FindKinds(), cobra.ShellCompDirectiveNoFileComp))
	return cmd
}

func (a *app) traceCmd() *cobra.Command {
	var q worklist.TraceQuery
	var format string
	cmd := &cobra.Command{
		Use:   "trace [LOT]",
		Short: "Which units carry a lot, maker, part number or kit",
		Long: `Searches the records of every unit for parts of a lot, by a maker, with a part
number, or fitted as part of a kit. For each unit it says where it is, which positions
have or had them, since when, and how they were found since. When several of these are
given, all must match. A lot's verdict comes first.

The output is text, or what --json, --format or the ending of -o FILE says: csv.`,
		Example: `  benchlore trace 2021-elko-2u2-50
  benchlore trace --kit recap/1
  benchlore trace --maker Ostrel --part-number AX-10/50 -o ostrel.csv`,
		Args: args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, list []string) error {
			q.Lot = first(list)
			if q == (worklist.TraceQuery{}) {
				return usagef("name a lot, or add --maker, --part-number or --kit", "nothing to look for")
			}
			format, err := a.tableFormat(format, "csv")
			if err != nil {
				return err
			}
			a.tabular = format == "csv" || format == "xlsx"
			return a.overview(func(l *ledger.Ledger) error {
				t, err := worklist.TraceOf(l, q)
				if err != nil {
					return err
				}
				switch format {
				case "json":
					return a.printJSON(t)
				case "csv":
					return a.write(t.WriteCSV)
				}
				return a.write(func(w io.Writer) error { return t.WriteText(w, a.text(l)) })
			})
		},
	}
	cmd.Flags().StringVar(&q.Maker, "maker", "", "parts by this `MAKER`")
	cmd.Flags().StringVar(&q.PartNumber, "part-number", "", "parts with this `NUMBER` of the maker")
	cmd.Flags().StringVar(&q.Kit, "kit", "", "parts fitted as part of `KIT`, and what else it did: recap, recap/2")
	cmd.Flags().StringVar(&format, "format", "", "`FORM` of the answer: text, csv; default: from FILE's ending")
	a.printFlags(cmd)
	return cmd
}

// text says how text is set here, by the conventions of the shop.
func (a *app) text(l *ledger.Ledger) page.TextOptions {
	return page.TextOptions{Width: min(a.width(), 100), Conventions: page.ConventionsOf(l.Shop)}
}

// table prints rows under plain headings, without lines.
func (a *app) table(head []string, rows [][]string) error {
	return a.write(func(w io.Writer) error {
		t := tablewriter.NewTable(w,
			tablewriter.WithRenderer(renderer.NewBlueprint(tw.Rendition{
				Borders: tw.BorderNone,
				Settings: tw.Settings{
					Separators: tw.SeparatorsNone,
					Lines:      tw.Lines{ShowTop: tw.Off, ShowBottom: tw.Off, ShowHeaderLine: tw.Off, ShowFooterLine: tw.Off},
				},
			})),
			tablewriter.WithConfig(tablewriter.Config{
				Header: tw.CellConfig{
					Formatting: tw.CellFormatting{AutoFormat: tw.Off},
					Alignment:  tw.CellAlignment{Global: tw.AlignLeft},
					Padding:    tw.CellPadding{Global: tw.Padding{Right: "  "}},
				},
				Row: tw.CellConfig{
					Formatting: tw.CellFormatting{AutoWrap: tw.WrapNone},
					Alignment:  tw.CellAlignment{Global: tw.AlignLeft},
					Padding:    tw.CellPadding{Global: tw.Padding{Right: "  "}},
				},
			}),
		)
		t.Header(head)
		if err := t.Bulk(rows); err != nil {
			return err
		}
		return t.Render()
	})
}
