package worksheet

import (
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"benchlore/ledger"
	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/refs"
	"benchlore/schema/unit"
)

// Input is a worksheet to be taken in.
type Input struct {
	File string // its name, for messages
	Data []byte
	Unit string // model/tag; "" takes the one the sheet names
	By   string
	Day  schema.Date // of what is new; zero: today
}

// Result tells how a worksheet was understood, and what was written.
type Result struct {
	ledger.Result
	Unit      string      `json:"unit"`
	Kind      Kind        `json:"kind"`
	Rows      int         `json:"rows"`      // with any entry
	Unreached int         `json:"unreached"` // rows nobody filled in
	Unchanged int         `json:"unchanged"` // rows the records have already
	New       []string    `json:"new"`       // lines as understood
	Changed   []string    `json:"changed"`
	Records   []string    `json:"records"`            // the files they go into
	Cells     []CellError `json:"wrong,omitempty"`    // what keeps it from being imported
	Warnings  []CellError `json:"warnings,omitempty"` // what is worth a look
}

// Error says that a worksheet was not imported because of what is in
// its cells.
type Error struct {
	File  string
	Cells []CellError
}

func (e *Error) Error() string {
	if len(e.Cells) == 1 {
		return fmt.Sprintf("%s: nothing was imported: 1 entry is wrong", e.File)
	}
	return fmt.Sprintf("%s: nothing was imported: %d entries are wrong", e.File, len(e.Cells))
}

// Hint names the next step.
func (e *Error) Hint() string {
	return "correct them in the sheet, save it, and import it again: what is in the records already is passed over"
}

// worksheet is an import being worked out.
type worksheet struct {
	in    Input
	t     *table
	b     *ledger.Batch
	u     *ledger.Loaded
	job   *unit.Job
	errs  cellErrors
	sets  map[string]*refs.Set
	edits []*edit
	out   *Result
}

// Read works out what importing a worksheet would do, and writes nothing.
// What is wrong with its cells is a *Error, and comes with the result.
func Read(l *ledger.Ledger, in Input) (*Result, error) {
	s, err := open(l, in)
	if err != nil {
		return nil, err
	}
	err = l.Rehearse(s.in.Unit, s.read)
	return s.out, err
}

// Import takes a worksheet in: one commit, or nothing at all. A row that the
// records of this job have already is passed over; one that says more or
// something else changes its line, as long as that has not been closed. Comments
// and notation of other lines stay. shown is what Read made of it, which the
// restorer has agreed to: where the ledger has changed since, so that it would
// mean something else, nothing is written. nil skips that.
func Import(l *ledger.Ledger, in Input, shown *Result) (*Result, error) {
	s, err := open(l, in)
	if err != nil {
		return nil, err
	}
	res, err := l.Change(s.in.Unit, func(b *ledger.Batch) error {
		if err := s.read(b); err != nil {
			return err
		}
		if shown != nil && (!slices.Equal(shown.New, s.out.New) || !slices.Equal(shown.Changed, s.out.Changed)) {
			return refused("the records have changed in the meantime; nothing was imported", "import the sheet again and read what it says now")
		}
		return nil
	})
	if s.out != nil {
		s.out.Result = res
	}
	return s.out, err
}

// open reads the cells of a worksheet and finds the unit it is about.
func open(l *ledger.Ledger, in Input) (*worksheet, error) {
	grids, err := readSheets(in.Data)
	if err != nil {
		return nil, ofFile(in.File, err)
	}
	if in.Day.IsZero() {
		in.Day = l.Today()
	}
	s := &worksheet{in: in, sets: map[string]*refs.Set{}}
	if s.t, err = findTable(grids, &s.errs); err != nil {
		return nil, ofFile(in.File, err)
	}
	if err := s.whose(l); err != nil {
		return nil, ofFile(in.File, err)
	}
	return s, nil
}

// read compares the worksheet with the unit and puts the changed records into
// the batch.
func (s *worksheet) read(b *ledger.Batch) error {
	s.b, s.u = b, b.Unit
	s.out = &Result{Unit: s.in.Unit, Kind: s.t.kind, Rows: len(s.t.rows), New: []string{}, Changed: []string{}, Records: []string{}}
	s.out.Files = []string{}
	s.job = s.u.OpenJob()
	var err error
	switch ofJob := s.jobs(); {
	case !ofJob: // that is all there is to say
	case s.t.kind == Parts:
		err = s.parts()
	case s.t.kind == Readings:
		err = s.readings()
	case s.t.kind == Tables:
		err = s.tables()
	}
	if err == nil && len(s.errs.list) == 0 {
		err = s.write()
	}
	if err == nil && len(s.errs.list) > 0 {
		sortCells(s.errs.list)
		s.out.Cells = s.errs.list
		err = &Error{s.in.File, s.errs.list}
	}
	return err
}

// refused is a sheet that cannot be taken in as it is, and what to do about it.
func refused(what, remedy string) error { return &ledger.UsageError{What: what, Remedy: remedy} }

// ofFile names the file in what is wrong with it as a whole.
func ofFile(file string, err error) error {
	var usage *ledger.UsageError
	if errors.As(err, &usage) {
		return refused(file+": "+usage.What, usage.Remedy)
	}
	return err
}

var cellForm = pattern.New(`^(?:row )?([A-Z]*)([0-9]+)$`)

// sortCells orders errors by row and column.
func sortCells(list []CellError) {
	key := func(c CellError) (row, col int) {
		if m := cellForm.FindStringSubmatch(c.Cell); m != nil {
			row, _ = strconv.Atoi(m[2])
			for _, r := range m[1] {
				col = 26*col + int(r-'A') + 1
			}
		}
		return row, col
	}
	slices.SortStableFunc(list, func(a, b CellError) int {
		ra, ca := key(a)
		rb, cb := key(b)
		if ra != rb {
			return ra - rb
		}
		return ca - cb
	})
}

// whose finds the unit the sheet is about. A sheet that names another unit than
// the one that was asked for, or several, is refused.
func (s *worksheet) whose(l *ledger.Ledger) error {
	named, at := "", ""
	for _, row := range s.t.rows {
		c, ok := row.cells[KeyInstrument]
		if !ok {
			continue
		}
		name, err := l.Resolve(c.text)
		switch {
		case err != nil:
			return refused(fmt.Sprintf("%s: %v", c.at, err), "the column instrument names the unit as model/tag; leave it as the sheet had it")
		case named != "" && name != named:
			return refused(fmt.Sprintf("%s is about %s, and %s about %s", at, named, c.at, name), "import one unit at a time")
		}
		named, at = name, c.at
	}
	switch {
	case named == "" && s.in.Unit == "":
		if s.in.Unit = l.OnBench(); s.in.Unit == "" {
			return refused("the sheet does not say which unit it is about, and none is on the bench", "name it with --unit, or choose one with: benchlore on UNIT")
		}
	case named != "" && s.in.Unit != "" && named != s.in.Unit:
		return refused(fmt.Sprintf("the sheet is about %s, not %s", named, s.in.Unit), "leave --unit out, or import the sheet of that unit")
	case named != "":
		s.in.Unit = named
	}
	return nil
}

// jobs refuses rows that were made for another stay at the bench, since what was
// found then is not found again now, and sheets of a unit whose last stay is over.
// It reports whether there is anything left to read.
func (s *worksheet) jobs() bool {
	open := ""
	if s.job != nil {
		open = s.job.Name()
	}
	for _, row := range s.t.rows {
		c, ok := row.cells[KeyJob]
		if !ok || c.text == open {
			continue
		}
		known := slices.ContainsFunc(s.u.Jobs, func(j *unit.Job) bool { return j.Name() == c.text })
		switch {
		case known:
			s.errs.add(c.at, "", "the sheet was made for the job %s, which is over => write a new sheet; what was recorded then is corrected with: benchlore correct FILE --reason \"...\"", c.text)
		case open == "":
			s.errs.add(c.at, "", "%s has no job %q, and none is open => add the intake first, or empty the column job", s.u.Name, c.text)
		default:
			s.errs.add(c.at, "", "%s has no job %q => leave the column job as the sheet had it, or empty it; the open job is %s", s.u.Name, c.text, open)
		}
		return false // the other rows say the same
	}
	if s.job == nil && len(s.u.Jobs) > 0 && len(s.t.rows) > 0 {
		// Without a job nothing tells what is recorded already from what is new.
		s.errs.add("", "", "no job of %s is open => add the intake of the new stay first; what was recorded in the last one is corrected with: benchlore correct FILE --reason \"...\"", s.u.Name)
		return false
	}
	return true
}

// editOf finds or begins the edit of a record.
func (s *worksheet) editOf(f *unit.File, name string) *edit {
	for _, e := range s.edits {
		if e.path == f.Path && e.name == name {
			return e
		}
	}
	e := newEdit(f, name)
	s.edits = append(s.edits, e)
	return e
}

// openRecord finds the record new lines go into: the day's last of its kind and
// technician that is of this job, has not been closed, and fits. Where there is
// none it begins one.
func (s *worksheet) openRecord(kind schema.Kind, name string, fits func(schema.Record) bool) (*edit, error) {
	for i := len(s.u.Unit.Files) - 1; i >= 0; i-- {
		f := &s.u.Unit.Files[i]
		h := f.Record.Head()
		if h.Kind != kind || h.Date != s.in.Day || h.By != s.in.By || h.Withdrawn || s.b.Closed(f.Path) ||
			s.job != nil && !slices.Contains(s.job.Files, f) {
			continue
		}
		if !fits(f.Record) {
			break
		}
		return s.editOf(f, name), nil
	}
	for _, e := range s.edits { // what this import has begun
		if h := e.record.Head(); e.begun && e.name == name && h.Kind == kind && fits(e.record) {
			return e, nil
		}
	}
	p, seq, err := s.b.NewRecord(kind, s.in.Day)
	if err != nil {
		return nil, err
	}
	rec := schema.New(kind)
	*rec.Head() = schema.Common{Kind: kind, Date: s.in.Day, By: s.in.By, Seq: seq}
	e := newEdit(&unit.File{Path: p, Data: schema.Encode(rec), Record: rec}, name)
	e.begun = true
	s.edits = append(s.edits, e)
	return e, nil
}

// mayEdit reports whether a record may be changed by a sheet; where not, the row
// gets the error that says what to do.
func (s *worksheet) mayEdit(row *sheetRow, key string, f *unit.File) bool {
	if s.b.Closed(f.Path) {
		s.errs.cell(row, key, "says something else than %s, which has been closed => correct that with: benchlore correct %s --reason \"...\"", f.Name(), f.Path)
		return false
	}
	return true
}

// write puts the changed records together, reads the unit as it would be, and
// refuses what would be wrong with it.
func (s *worksheet) write() error {
	texts := map[string][]byte{}
	for _, e := range s.edits {
		if prev, ok := texts[e.path]; ok { // readings and tables of one record
			rec, problems := schema.DecodeRecord(e.path, prev)
			if rec == nil {
				return &ledger.ProblemsError{What: "the worksheet was not imported", Problems: problems}
			}
			e.data, e.record = prev, rec
		}
		texts[e.path] = e.render()
		if err := s.b.Put(e.path, texts[e.path]); err != nil {
			return err
		}
	}
	if len(texts) == 0 {
		return nil
	}
	all, fresh, err := s.b.Problems()
	if err != nil {
		return err
	}
	own := map[string][]listed{} // by file and list
	for _, e := range s.edits {
		own[e.path+" "+e.name] = e.all()
	}
	for _, p := range all {
		rows, key := rowsOf(own, p)
		switch {
		case rows != nil && p.Severity > schema.Warned:
			for _, row := range rows[:min(len(rows), 3)] {
				s.errs.put(s.problem(row, key, p))
			}
		case rows != nil:
			c := s.problem(rows[0], key, p)
			if n := len(rows) - 1; n > 0 {
				c.Of += fmt.Sprintf(" and %s more", numberOf(n, "row"))
			}
			if !slices.Contains(s.out.Warnings, c) {
				s.out.Warnings = append(s.out.Warnings, c)
			}
		case slices.Contains(fresh, p):
			s.errs.put(CellError{"", "", p.Error(), p.Write})
		}
	}
	if len(s.errs.list) > 0 {
		return nil
	}
	s.out.Records = slices.Sorted(maps.Keys(texts))
	what := map[Kind]string{Parts: "line", Readings: "reading", Tables: "table"}[s.t.kind]
	s.b.Subject = s.u.Name + ": worksheet"
	if n := len(s.out.New); n > 0 {
		s.b.Subject += ", " + numberOf(n, "new "+what)
	}
	if n := len(s.out.Changed); n > 0 {
		s.b.Subject += ", " + numberOf(n, "changed "+what)
	}
	return nil
}

var listedPath = pattern.New(`^(part|reading|table)\[([0-9]+)\]\.?(.*)$`)

// rowsOf finds the rows a problem of a record is about, and the key.
func rowsOf(own map[string][]listed, p schema.Problem) ([]*sheetRow, string) {
	m := listedPath.FindStringSubmatch(p.Path)
	if m == nil {
		return nil, ""
	}
	list := own[p.File+" "+m[1]]
	n, _ := strconv.Atoi(m[2])
	if n >= len(list) {
		return nil, ""
	}
	key, _, _ := strings.Cut(m[3], "[")
	if r, ok := list[n].value.(schema.Reading); ok && (key == "" || key == "value") {
		key = "stage." + string(r.Stage)
	}
	return list[n].rows, key
}

// problem says at its cell what the records find wrong with a row.
func (s *worksheet) problem(row *sheetRow, key string, p schema.Problem) CellError {
	if key == "new" || key == "old" { // the part as a whole: its first cell
		for _, c := range partColumns() {
			if strings.HasPrefix(c.Key, key+".") && row.get(c.Key) != "" {
				key = c.Key
				break
			}
		}
	}
	if key == "" || row.cells[key].at == "" {
		first, _, _ := strings.Cut(p.Message, " ")
		if _, ok := s.t.at[first]; ok {
			key = first
		}
	}
	at := row.cells[key].at
	if at == "" && s.t.at[key] != "" {
		at = strings.TrimRight(s.t.at[key], "0123456789") + strconv.Itoa(row.n)
	}
	if at == "" {
		at = fmt.Sprintf("row %d", row.n)
	}
	return CellError{at, row.of, p.Message, p.Write}
}

// filledIn reports whether two entries of the same type agree wherever the first
// says anything.
func filledIn(cells, has reflect.Value) bool {
	for _, f := range schema.FieldsOf(reflect.New(cells.Type()).Interface()) {
		a, b := cells.FieldByIndex(f.Index), has.FieldByIndex(f.Index)
		if a.IsZero() || f.Tables() {
			continue
		}
		switch {
		case a.Kind() == reflect.String:
			if !sameText(f.Key, a.String(), b.String()) {
				return false
			}
		case a.Kind() == reflect.Slice:
			if !sameWords(a, b) {
				return false
			}
		case !reflect.DeepEqual(a.Interface(), b.Interface()):
			return false
		}
	}
	return true
}

func sameWords(a, b reflect.Value) bool {
	list := func(v reflect.Value) []string {
		var out []string
		for i := range v.Len() {
			out = append(out, strings.ToLower(v.Index(i).String()))
		}
		slices.Sort(out)
		return out
	}
	return slices.Equal(list(a), list(b))
}

// fillFrom sets in to what from says, wherever it says anything.
func fillFrom(to, from reflect.Value) {
	for _, f := range schema.FieldsOf(reflect.New(from.Type()).Interface()) {
		if a := from.FieldByIndex(f.Index); !a.IsZero() && !f.Tables() {
			to.FieldByIndex(f.Index).Set(a)
		}
	}
}
