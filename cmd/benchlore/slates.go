package main

import (
	"bufio"
	"errors"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"benchlore/ledger"
	"benchlore/ledger/photo"
	"benchlore/ledger/slate"
	"benchlore/schema"
	"benchlore/schema/entry"
	"benchlore/schema/unit"
)

// slateFlags are those of photo --slates.
type slateFlags struct {
	on, yes, keep bool
	order         string
}

func (f *slateFlags) add(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&f.on, "slates", false, "file pictures by the slate photographed before them (benchlore label --slate)")
	cmd.Flags().BoolVar(&f.yes, "yes", false, "with --slates: do not ask; what is unclear is left out")
	cmd.Flags().BoolVar(&f.keep, "keep-slates", false, "with --slates: also store the photographs of the slates")
	cmd.Flags().StringVar(&f.order, "order", "", "with --slates: the `ORDER` of the pictures: time, name; default: time where all have one")
}

// alone refuses what goes only with --slates, or does not go with it.
func (f slateFlags) alone(cmd *cobra.Command) error {
	only, not := []string{"yes", "keep-slates", "order"}, []string{"unit", "record", "section", "fault"}
	for _, name := range only {
		if !f.on && cmd.Flags().Changed(name) {
			return usagef("add --slates, or leave it out", "--%s goes with --slates", name)
		}
	}
	for _, name := range not {
		if f.on && cmd.Flags().Changed(name) {
			return usagef("leave it out", "with --slates the slates say what --%s says", name)
		}
	}
	if f.order != "" && f.order != string(slate.ByTime) && f.order != string(slate.ByName) {
		return usagef("write time or name", "unknown order %q", f.order)
	}
	return nil
}

// slateRow is one photograph of a series, as it is printed.
type slateRow struct {
	File    string      `json:"file"`
	Taken   string      `json:"taken,omitempty"`
	Role    string      `json:"role"`
	Unit    string      `json:"unit,omitempty"`
	Section string      `json:"section,omitempty"`
	Stage   string      `json:"stage,omitempty"`
	Note    string      `json:"note,omitempty"`
	Stored  string      `json:"stored,omitempty"`
	step    *slate.Step // nil: a file that is no picture
}

// Roles of files beside those of a series.
const (
	roleStored = "stored"   // its unit has it already
	roleLeft   = "left out" // by whoever was asked
	roleNone   = "not read"
)

// series is a set of photographs with slates on its way into the ledger.
type series struct {
	a       *app
	l       *ledger.Ledger
	o       ledger.AttachOptions
	flags   slateFlags
	entry   schema.Photo // what is the same for all
	uuids   map[string]string
	stock   *ledger.Catalog
	loaded  map[string]*unit.Unit
	data    map[string]*photo.Picture // by path
	rows    []slateRow
	answers *bufio.Reader
	Order   slate.Order    `json:"order"`
	Rows    []slateRow     `json:"pictures"`
	Saved   []ledger.Saved `json:"saved"`
}

// slates takes in photographs by the slates among them.
func (a *app) slates(l *ledger.Ledger, list []string, f attachFlags, flags slateFlags, p schema.Photo) error {
	s := &series{a: a, l: l, flags: flags, entry: p, loaded: map[string]*unit.Unit{}, answers: bufio.NewReader(a.in), Saved: []ledger.Saved{}}
	var err error
	if s.o.Day, err = a.day(l, f.date); err != nil {
		return err
	}
	if s.o.By, err = a.by(l, f.by); err != nil {
		return err
	}
	if p.Stage != "" && !slices.Contains(p.Stage.Words(), string(p.Stage)) {
		return usagef("write one of: "+strings.Join(p.Stage.Words(), ", "), "unknown stage %q", p.Stage)
	}
	if s.uuids, err = l.UUIDs(); err != nil {
		return err
	}
	if s.stock, err = l.Catalog(); err != nil {
		return err
	}
	files, err := picturesOf(list)
	if err != nil {
		return err
	}
	if err := s.look(files); err != nil {
		return err
	}
	ask := a.interactive() && !flags.yes && !a.dryRun && !a.json
	if !a.json {
		if err := s.show(); err != nil {
			return err
		}
	}
	if ask {
		if err := s.ask(); err != nil {
			return err
		}
	}
	return s.finish(ask)
}

// picturesOf lists plain files, and those in folders, without the ones that begin with
// a dot.
func picturesOf(list []string) ([]string, error) {
	var out []string
	for _, name := range list {
		fi, err := os.Stat(name)
		if err != nil {
			return nil, err
		}
		if !fi.IsDir() {
			out = append(out, name)
			continue
		}
		entries, err := os.ReadDir(name)
		if err != nil {
			return nil, err
		}
		for _, e := range entries {
			if e.Type().IsRegular() && !strings.HasPrefix(e.Name(), ".") {
				out = append(out, filepath.Join(name, e.Name()))
			}
		}
	}
	if len(out) == 0 {
		return nil, usagef("name the folder that the pictures are in; folders inside it are not looked into", "%s has no files in it", strings.Join(list, ", "))
	}
	return out, nil
}

// look reads all pictures and works out what each is.
func (s *series) look(files []string) error {
	seen := make([]slate.Seen, len(files))
	read, errs := s.a.readPhotos(files, func(i int) func(*image.Gray) {
		return func(m *image.Gray) { seen[i] = slate.Read(m) }
	})
	s.data = map[string]*photo.Picture{}
	var shots []slate.Shot
	var rest []slateRow
	cameras := map[string]bool{}
	for i, file := range files {
		if err := errs[i]; err != nil {
			var refused *photo.Error
			if !errors.As(err, &refused) {
				return err
			}
			rest = append(rest, slateRow{File: file, Role: roleNone, Note: refused.Why})
			continue
		}
		s.data[file] = read[i]
		if read[i].Camera != "" {
			cameras[read[i].Camera] = true
		}
		shots = append(shots, slate.Shot{Name: filepath.Base(file), Path: file, At: read[i].At, Digest: read[i].SHA256, Seen: seen[i]})
	}
	if s.Order = slate.Sort(shots, slate.Order(s.flags.order)); s.Order == "" {
		return usagef("add --order name, or --order time to be asked about the pictures that have none",
			"the order of the pictures is not clear: some do not say when they were taken, and the names of the others do not run as their times")
	}
	if len(cameras) > 1 && s.Order == slate.ByTime {
		fmt.Fprintf(s.a.err, "benchlore: warning: %d cameras took these pictures; if their clocks differ, pictures come under the wrong slate\n  take in the pictures of one camera at a time, or look well at the times below\n", len(cameras))
	}
	steps := slate.Plan(shots, s.Order, s.place)
	for i := range steps {
		st := &steps[i]
		row := slateRow{File: st.Shot.Path, Role: string(st.Role), Note: st.Note, step: st}
		if !st.Shot.At.IsZero() {
			row.Taken = st.Shot.At.Format("2006-01-02 15:04:05")
		}
		row.at(st.Place, s.entry.Stage)
		s.rows = append(s.rows, row)
	}
	s.rows = append(s.rows, rest...)
	for i := range s.rows {
		if err := s.known(&s.rows[i]); err != nil {
			return err
		}
	}
	return nil
}

func (r *slateRow) at(p slate.Place, stage schema.Stage) {
	r.Unit, r.Section, r.Stage = p.Unit, p.Section, p.Stage
	if r.Stage == "" && r.Unit != "" && r.Role == string(slate.Picture) {
		r.Stage = string(stage)
	}
}

// known marks a picture that its unit has already.
func (s *series) known(r *slateRow) error {
	if r.Role != string(slate.Picture) {
		return nil
	}
	u, err := s.unit(r.Unit)
	if err != nil {
		return err
	}
	for _, f := range u.Files {
		for _, x := range f.Record.Head().Photos {
			if x.SHA256 != "" && x.SHA256 == r.step.Shot.Digest {
				r.Role, r.Note = roleStored, "is there already, as "+x.File
				r.Section, r.Stage = x.Section, string(x.Stage)
			}
		}
	}
	return nil
}

func (s *series) unit(name string) (*unit.Unit, error) {
	if u := s.loaded[name]; u != nil {
		return u, nil
	}
	u, err := s.l.Unit(name, s.stock)
	if err != nil {
		return nil, err
	}
	s.loaded[name] = u.Unit
	return u.Unit, nil
}

// place is where a slate says that pictures belong, or why it cannot be told.
func (s *series) place(m slate.Mark) (slate.Place, string) {
	var names []string
	for name, uuid := range s.uuids {
		if slate.UnitPart(uuid) == m.Unit {
			names = append(names, name)
		}
	}
	switch len(names) {
	case 0:
		return slate.Place{}, "its unit is not in this ledger"
	case 1:
	default:
		return slate.Place{}, "it fits " + plural(len(names), "unit")
	}
	p := slate.Place{Unit: names[0], Stage: m.Stage}
	if m.Section == slate.Whole {
		return p, ""
	}
	u, err := s.unit(names[0])
	if err != nil {
		return slate.Place{}, err.Error()
	}
	var sections []string
	for _, x := range u.SectionNames() {
		if slate.SectionPart(x) == m.Section {
			sections = append(sections, x)
		}
	}
	if len(sections) != 1 {
		return slate.Place{}, names[0] + " has no section of that name now"
	}
	p.Section = sections[0]
	return p, ""
}

// show prints what was understood.
func (s *series) show() error {
	by := map[slate.Order]string{slate.ByTime: "in the order they were taken (same time: by file name)", slate.ByName: "in the order of their names"}[s.Order]
	fmt.Fprintf(s.a.out, "%s, %s\n", plural(len(s.rows), "file"), by)
	var rows [][]string
	for _, r := range s.rows {
		place := strings.Trim(filepath.Base(r.Unit)+", "+orNone(r.Section, "whole unit"), ", ")
		if r.Unit == "" {
			place = ""
		}
		what := map[string]string{string(slate.Unclear): "not filed", string(slate.Twice): "left out"}[r.Role]
		switch {
		case what != "":
		case r.Role == string(slate.Picture):
			what = ""
		default:
			what = r.Role
		}
		if r.Note != "" {
			what = strings.TrimPrefix(what+": "+r.Note, ": ")
		}
		rows = append(rows, []string{filepath.Base(r.File), r.Taken, place, r.Stage, what})
	}
	return s.a.table([]string{"file", "taken", "goes to", "stage", "note"}, rows)
}

// answer asks for one line. An input that ended is an empty one.
func (s *series) answer(question string) string {
	fmt.Fprint(s.a.out, question)
	line, err := s.answers.ReadString('\n')
	if err != nil {
		fmt.Fprintln(s.a.out)
	}
	return strings.TrimSpace(line)
}

// ask asks about what is unclear, a group at a time, and for the stage where no slate
// said one.
func (s *series) ask() error {
	for i := 0; i < len(s.rows); i++ {
		if s.rows[i].Role != string(slate.Unclear) {
			continue
		}
		var group []*slateRow
		for j := i; j < len(s.rows); j++ {
			if r := &s.rows[j]; r.Role == string(slate.Unclear) && r.step.Group == s.rows[i].step.Group {
				group = append(group, r)
			}
		}
		if err := s.askGroup(group); err != nil {
			return err
		}
	}
	if s.entry.Stage != "" || !slices.ContainsFunc(s.rows, func(r slateRow) bool { return r.Role == string(slate.Picture) && r.Stage == "" }) {
		return nil
	}
	words := s.entry.Stage.Words()
	for {
		stage := s.answer("which stage do they show: " + strings.Join(words, ", ") + "? Enter: leave it open: ")
		if stage != "" && !slices.Contains(words, stage) {
			fmt.Fprintf(s.a.out, "%q is not a stage\n", stage)
			continue
		}
		for i := range s.rows {
			if r := &s.rows[i]; r.Role == string(slate.Picture) && r.Stage == "" {
				r.Stage = stage
			}
		}
		return nil
	}
}

func (s *series) askGroup(group []*slateRow) error {
	first := group[0]
	last := first.step.Last
	names := filepath.Base(first.File)
	if n := len(group); n > 1 {
		names += " to " + filepath.Base(group[n-1].File) + ", " + plural(n, "picture")
	}
	fmt.Fprintf(s.a.out, "%s: %s\n", names, first.Note)
	how := "  write UNIT SECTION, or UNIT alone; Enter leaves them out"
	if first.step.Code && last.Unit != "" {
		how += fmt.Sprintf("; = if it is no slate: goes on with %s, %s", filepath.Base(last.Unit), orNone(last.Section, "whole unit"))
	}
	for {
		words := strings.Fields(s.answer(how + "\n  where do they belong? "))
		to := last
		switch {
		case len(words) == 0:
			for _, r := range group {
				r.Role = roleLeft
			}
			return nil
		case len(words) == 1 && words[0] == "=" && first.step.Code && last.Unit != "":
		default:
			name, err := s.l.Resolve(words[0])
			if err != nil {
				fmt.Fprintf(s.a.out, "  %v\n", err)
				continue
			}
			u, err := s.unit(name)
			if err != nil {
				return err
			}
			to = slate.Place{Unit: name}
			if len(words) > 1 {
				if to.Section = entry.Section(words[1:], u); to.Section == "" {
					fmt.Fprintf(s.a.out, "  %s has no section %q; it has %s\n", name, strings.Join(words[1:], " "), someOf(u.SectionNames(), 12))
					continue
				}
			}
		}
		for i, r := range group {
			r.Note = ""
			if i == 0 && first.step.Code && words[0] != "=" {
				r.Role = string(slate.Card)
				r.at(to, "")
				continue
			}
			r.Role = string(slate.Picture)
			r.at(to, s.entry.Stage)
			if err := s.known(r); err != nil {
				return err
			}
		}
		return nil
	}
}

// finish asks for confirmation and stores what has a place, unit by unit.
func (s *series) finish(ask bool) error {
	a := s.a
	var units []string
	lists := map[string][]ledger.Attachment{}
	rowsOf := map[string][]*slateRow{}
	left := 0
	total := 0
	sums := map[slate.Place]int{}
	var places []slate.Place
	for i := range s.rows {
		r := &s.rows[i]
		card := s.flags.keep && r.Role == string(slate.Card) && r.Unit != ""
		if r.Role == string(slate.Unclear) || r.Role == roleNone {
			left++
		}
		if r.Role != string(slate.Picture) && !card {
			continue
		}
		p := s.data[r.File]
		e := s.entry
		e.Section, e.Stage, e.Taken, e.SHA256 = r.Section, schema.Stage(r.Stage), p.Taken, p.SHA256
		if p.Taken.After(s.l.Today().Day) {
			e.Taken = schema.Date{}
		}
		if !slices.Contains(units, r.Unit) {
			units = append(units, r.Unit)
		}
		lists[r.Unit] = append(lists[r.Unit], ledger.Attachment{Name: filepath.Base(r.File), Data: p.JPEG, Photo: &e})
		rowsOf[r.Unit] = append(rowsOf[r.Unit], r)
		place := slate.Place{Unit: r.Unit, Section: r.Section, Stage: r.Stage}
		if sums[place] == 0 {
			places = append(places, place)
		}
		sums[place]++
		total++
	}
	if !a.json {
		for _, p := range places {
			fmt.Fprintf(a.out, "%s, %s%s: %s\n", p.Unit, orNone(p.Section, "whole unit"), strings.TrimSuffix(", "+p.Stage, ", "), plural(sums[p], "picture"))
		}
		if left > 0 {
			fmt.Fprintf(a.out, "left out, see above: %s\n", plural(left, "file"))
		}
	}
	switch {
	case total == 0:
	case ask:
		if answer := s.answer("store " + plural(total, "picture") + "? [Y/n] "); answer != "" && !strings.EqualFold(answer, "y") && !strings.EqualFold(answer, "yes") {
			return usagef("", "nothing was stored")
		}
	case !s.flags.yes && !a.dryRun:
		return usagef("look at the list, then add --yes", "nothing was stored: cannot ask for confirmation here")
	}
	for i, name := range units {
		saved, err := s.l.Attach(name, lists[name], s.o)
		if err != nil {
			if i > 0 {
				fmt.Fprintf(a.err, "benchlore: stored for %s, not for %s\n  run the command again: what is stored is not stored twice\n", strings.Join(units[:i], ", "), name)
			}
			return err
		}
		s.Saved = append(s.Saved, saved)
		for k, r := range rowsOf[name] {
			r.Stored = lists[name][k].Photo.File
		}
		if !a.json {
			if err := a.saved(name, saved, plural(len(lists[name]), "photograph")); err != nil {
				return err
			}
		}
	}
	s.Rows = s.rows
	if a.json {
		if err := a.printJSON(s); err != nil {
			return err
		}
	} else if total == 0 {
		fmt.Fprintln(a.out, "nothing to store")
	}
	if left > 0 {
		return errFound
	}
	return nil
}
