package main

import (
	"fmt"
	"io"
	"path"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/schema"
	"benchlore/schema/unit"
)

// standing is one line of where.
type standing struct {
	Unit    string          `json:"unit"`
	Title   string          `json:"title"`
	OnBench bool            `json:"onBench"`
	Since   string          `json:"since"` // the intake's day
	Reason  string          `json:"reason"`
	Last    string          `json:"last"` // last thing done
	LastDay string          `json:"lastDay"`
	Faults  []standingFault `json:"openFaults"`
	Pending []string        `json:"pending"`
	Power   string          `json:"power"` // "" not recorded
	Why     string          `json:"powerWhy,omitempty"`
}

type standingFault struct {
	ID         string `json:"id"`
	Symptom    string `json:"symptom"`
	Conditions string `json:"conditions,omitempty"`
}

func (a *app) whereCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "where",
		Short: "Every open unit: last thing done, what waits, safe to power or not",
		Args:  args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			return a.with(func(l *ledger.Ledger) error {
				stock, err := l.Stock()
				if err != nil {
					return err
				}
				open, err := l.OpenUnits(stock)
				if err != nil {
					return err
				}
				list := make([]standing, len(open))
				for i, u := range open {
					list[i] = stand(u.Unit, l.OnBench())
				}
				conflicts, err := l.Conflicts()
				if err != nil {
					return err
				}
				last := l.LastBackup()
				if a.json {
					return a.printJSON(struct {
						Units     []standing         `json:"units"`
						Conflicts int                `json:"conflicts"`
						Backup    *ledger.LastBackup `json:"lastBackup"`
					}{list, len(conflicts), last})
				}
				return a.write(func(w io.Writer) error {
					if err := printWhere(w, list); err != nil {
						return err
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

func stand(u *unit.Unit, onBench string) standing {
	j := u.OpenJob()
	in := j.IntakeRecord()
	s := standing{Unit: u.Name, Title: title(u), OnBench: u.Name == onBench, Since: in.Date.String(), Reason: string(in.Reason),
		Faults: []standingFault{}, Pending: pending(u)}
	last := j.Files[len(j.Files)-1].Record
	s.Last = strings.TrimSpace(string(last.Head().Kind) + ", " + ledger.Summary(last))
	s.LastDay = last.Head().Date.String()
	for _, f := range u.Faults {
		if f.State == schema.FaultOpen {
			s.Faults = append(s.Faults, standingFault{f.ID, f.Symptom, f.Conditions})
		}
	}
	p, why, _ := u.Power()
	s.Power, s.Why = string(p), why
	return s
}

// pending lists the positions whose last line says pending, ranges written
// short.
func pending(u *unit.Unit) []string {
	var found []*unit.Position
	for _, p := range u.Positions {
		if o := p.Current(); o != nil && len(o.Events) > 0 && o.Events[len(o.Events)-1].Line.Action == schema.Pending {
			found = append(found, p)
		}
	}
	if found == nil {
		return []string{}
	}
	return strings.Split(unit.List(found), "; ")
}

func printWhere(w io.Writer, list []standing) error {
	if len(list) == 0 {
		_, err := fmt.Fprintln(w, "no unit is open")
		return err
	}
	for i, s := range list {
		if i > 0 {
			fmt.Fprintln(w)
		}
		mark := ""
		if s.OnBench {
			mark = "  (on the bench)"
		}
		fmt.Fprintf(w, "%s  %s%s\n", s.Unit, s.Title, mark)
		switch schema.Power(s.Power) {
		case schema.PowerForbidden:
			fmt.Fprintf(w, "  DO NOT POWER  %s\n", orNone(s.Why, "no reason recorded"))
		case schema.PowerLimited:
			fmt.Fprintf(w, "  power limited %s\n", orNone(s.Why, "no reason recorded"))
		case schema.PowerNormal:
			fmt.Fprintf(w, "  power         normal, as recorded\n")
		default:
			fmt.Fprintf(w, "  power         not recorded\n")
		}
		fmt.Fprintf(w, "  since         %s, %s\n", s.Since, s.Reason)
		fmt.Fprintf(w, "  last          %s, %s\n", s.LastDay, s.Last)
		for _, f := range s.Faults {
			cond := ""
			if f.Conditions != "" {
				cond = " (" + f.Conditions + ")"
			}
			fmt.Fprintf(w, "  fault %-7s %s%s\n", f.ID, f.Symptom, cond)
		}
		if len(s.Pending) > 0 {
			fmt.Fprintf(w, "  pending       %s\n", strings.Join(s.Pending, "; "))
		}
	}
	return nil
}

// listed is one line of list units.
type listed struct {
	Unit    string `json:"unit"`
	Title   string `json:"title"`
	Built   string `json:"built"`
	State   string `json:"state"`
	Since   string `json:"since"`
	Records int    `json:"records"`
	Errors  int    `json:"errors"`
}

func (a *app) listCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:       "list [units|models|lots|families|kits]",
		Short:     "List units, models, lots, families or kits",
		ValidArgs: []string{"units", "models", "lots", "families", "kits"},
		Args:      args(cobra.MatchAll(cobra.MaximumNArgs(1), cobra.OnlyValidArgs)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				stock, err := l.Stock()
				if err != nil {
					return err
				}
				switch first(list) {
				case "models":
					return a.listModels(stock)
				case "lots":
					return a.listLots(stock)
				case "families":
					return a.listFamilies(stock)
				case "kits":
					return a.listKits(stock)
				}
				return a.listUnits(l, stock)
			})
		},
	}
	a.printFlags(cmd)
	return cmd
}

func (a *app) listUnits(l *ledger.Ledger, stock *ledger.Stock) error {
	list := []listed{}
	err := l.All(stock, func(name string, u *ledger.Loaded, err error) error {
		if err != nil {
			return err
		}
		n, _ := schema.Count(u.Problems)
		state, since := unitState(u.Unit)
		list = append(list, listed{name, title(u.Unit), string(u.Instrument.Built), state, since, len(u.Unit.Files), n})
		return nil
	})
	if err != nil {
		return err
	}
	if a.json {
		return a.printJSON(list)
	}
	rows := [][]string{}
	for _, u := range list {
		bad := ""
		if u.Errors > 0 {
			bad = plural(u.Errors, "error")
		}
		rows = append(rows, []string{u.Unit, u.Title, u.Built, u.State, u.Since, fmt.Sprint(u.Records), bad})
	}
	return a.table([]string{"unit", "", "built", "state", "since", "records", ""}, rows)
}

// unitState tells where a unit stands, by its last custody, release or intake.
func unitState(u *unit.Unit) (state, since string) {
	state = "no records"
	for i := range u.Files {
		h := u.Files[i].Record.Head()
		if h.Withdrawn {
			continue
		}
		switch r := u.Files[i].Record.(type) {
		case *schema.Intake:
			state, since = "on the bench", h.Date.String()
		case *schema.Release:
			state, since = "released, works: "+string(r.Works), h.Date.String()
		case *schema.Custody:
			if u.OpenJob() == nil || r.Event == schema.CustodyReceived {
				state, since = string(r.Event), h.Date.String()
			}
		}
	}
	if u.OpenJob() != nil {
		state, since = "on the bench", u.OpenJob().IntakeRecord().Date.String()
	}
	return state, since
}

func (a *app) listModels(stock *ledger.Stock) error {
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
			fmt.Sprintf("%d, %d complete", len(m.Boards), complete), fmt.Sprint(len(m.Kits)), fmt.Sprint(len(m.Limits))})
	}
	return a.table([]string{"model", "", "made", "sections", "boards", "kits", "limits"}, rows)
}

func (a *app) listLots(stock *ledger.Stock) error {
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

func (a *app) listFamilies(stock *ledger.Stock) error {
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

func (a *app) listKits(stock *ledger.Stock) error {
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
		Long: `Shows who a unit is, its jobs, faults and records; with RECORD (a file name or an
ending of it) the record itself.`,
		Args: args(cobra.MaximumNArgs(2)),
		RunE: func(_ *cobra.Command, list []string) error {
			return a.with(func(l *ledger.Ledger) error {
				name, err := a.unit(l, first(list))
				if err != nil {
					return err
				}
				stock, err := l.Stock()
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
					return a.printJSON(unitJSON(u))
				}
				return a.write(func(w io.Writer) error { return showUnit(w, u) })
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

func unitJSON(u *ledger.Loaded) unitView {
	state, since := unitState(u.Unit)
	v := unitView{Unit: u.Name, Instrument: schema.Plain(u.Instrument), State: state, Since: since, Positions: len(u.Positions), Problems: u.Problems,
		Faults: []*unitFault{}, Records: []recordView{}}
	for _, f := range u.Faults {
		v.Faults = append(v.Faults, &unitFault{f.ID, f.Symptom, string(f.State), f.Note})
	}
	for _, f := range u.Unit.Files {
		h := f.Record.Head()
		v.Records = append(v.Records, recordView{f.Name(), h.Date.String(), string(h.Kind), h.By, ledger.Summary(f.Record), h.Withdrawn})
	}
	return v
}

func showUnit(w io.Writer, u *ledger.Loaded) error {
	v := unitJSON(u)
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
		row("built", "%s (%s)", i.Built, orNone(i.BuiltFrom, "not said how that is known"))
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

func (a *app) logCmd() *cobra.Command {
	var shop bool
	cmd := &cobra.Command{
		Use:   "log [UNIT]",
		Short: "What was recorded and corrected, step by step, with the fields that changed",
		Long: `Shows the unit's own history: what travels with it. With --shop it shows every
save of the shop's ledger that touched the unit, those taken back included.`,
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
				return a.write(func(w io.Writer) error { return printLog(w, name, steps, shop) })
			})
		},
	}
	cmd.Flags().BoolVar(&shop, "shop", false, "the shop's ledger instead of the unit's own history")
	a.printFlags(cmd)
	return cmd
}

func printLog(w io.Writer, name string, steps []ledger.Step, shop bool) error {
	if len(steps) == 0 {
		if shop {
			fmt.Fprintf(w, "%s: nothing is recorded\n", name)
		} else {
			fmt.Fprintf(w, "%s: nothing is closed yet; see benchlore log --shop\n", name)
		}
		return nil
	}
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
				fmt.Fprintf(w, "      %s\n", c)
			}
		}
	}
	return nil
}
