package partslist

import (
	"fmt"
	"path"
	"slices"
	"strconv"
	"strings"

	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/refs"
)

// Position is one part of a list, or a number of parts without references.
type Position struct {
	File, Sheet string
	Row         int // as a spreadsheet counts, from 1
	Section     string
	Board       string
	Ref         refs.Ref // "" for a count
	Count       int
	Family      schema.FamilyName
	Sure        bool // the words say the family; else it is a guess from letters and values
	Value       schema.Quantity
	Rating      schema.Quantity
	Type        string
	Note        string
}

// Note says something about a row.
type Note struct {
	File  string `json:"file"`
	Sheet string `json:"sheet,omitempty"`
	Row   int    `json:"row"`
	What  string `json:"what"`
	Write string `json:"write,omitempty"` // what to write instead
}

// At names the row.
func (n Note) At() string {
	at := n.File
	if n.Sheet != "" {
		at += ", sheet " + n.Sheet
	}
	if n.Row > 0 {
		at += fmt.Sprintf(", row %d", n.Row)
	}
	return at
}

// Question is something a list leaves open that only its owner knows.
type Question struct {
	Key     string   `json:"key"` // of its answer in Options.Answers
	Text    string   `json:"text"`
	Default string   `json:"default,omitempty"`
	Choices []string `json:"choices,omitempty"`
	Option  string   `json:"option"` // what to add to the command line
}

// Options are what the reader is told.
type Options struct {
	Columns    []ColumnChoice // what columns hold
	Remembered func(headings []string) []ColumnChoice
	Section    string            // the section of lists that do not say
	Answers    map[string]string // by key of the question
}

// List is what a parts list says.
type List struct {
	Layouts   []*Layout
	Rows      int
	Positions []Position
	Sections  []SectionName // in order of appearance
	NotTaken  []Note
	Said      []Note
	Questions []Question
}

// SectionName is a section as the list names it, with a count where it stands for
// several alike.
type SectionName struct {
	Name  string
	Count int
}

// reader reads one sheet.
type reader struct {
	*List
	opt     Options
	s       *Sheet
	l       *Layout
	section string // of the rows below a heading row, or of the whole sheet
	filled  string // the last cell of the section column
	board   string
	filledB string
	last    map[string]string // the last cell by column, for ditto
	seen    map[string]int    // rows, by section and reference
	seenPos map[string]Position
	since   int // parts since the last total
}

var (
	totalWords  = pattern.New(`^(?:grand ?total|sub-?total|total|totals|totale|totaal|summe|zwischensumme|gesamt|gesamtsumme|endsumme|somme|sous-total|subtotale|suma)\b`)
	postage     = pattern.New(`^(?:postage|shipping|carriage|p ?& ?p|versand|porto|frais de port|port|spedizione|envio|verzending)\b`)
	taxWords    = pattern.New(`^(?:vat|tax|sales tax|mwst|ust|tva|iva|btw)\b`)
	dittoForm   = pattern.New(`(?i)^(?:["”“„»''']+|ditto|do\.?|dto\.?|idem|id\.|dito|same|as above|''|s\.o\.|-"-)$`)
	offWords    = pattern.New(`(?i)^(.*?)[ ,]*[(\[]?\s*(\d{1,3}) ?(?:off|x|×|pcs|pieces|stück|stk|pièces)\s*[)\]]?$`)
	partsIn     = pattern.New(`^(\d+) ?(?:parts|teile|pieces|pi[eè]ces|pezzi)?$`)
	boardToken  = pattern.New(`^[A-Z]{1,4}-?\d{1,4}[A-Z]?$`)
	partNumber  = pattern.New(`\b[A-Z]{1,4}[0-9]{2,}[A-Z0-9]*\b`)
	notSections = strings.NewReplacer(",", "", "/", " ", "@", "")
)

// Read reads parts lists: the sheets of one file, or of several. A list whose
// columns cannot be told is an *Error that names the option that helps.
func Read(sheets []*Sheet, opt Options) (*List, error) {
	out := &List{}
	seen, pos := map[string]int{}, map[string]Position{}
	files := map[string]bool{}
	for _, s := range sheets {
		files[s.File] = true
	}
	var readers []*reader
	for _, s := range sheets {
		l := layout(s, columnWords, opt.Columns, rememberedOf(s, opt.Remembered))
		if l.at(ColRef) < 0 && (l.at(ColCount) < 0 || l.at(ColDesc) < 0 && l.at(ColValue) < 0) {
			if len(sheets) > 1 {
				out.NotTaken = append(out.NotTaken, Note{File: s.File, Sheet: s.Name, Row: 0, What: "no column of references or numbers of parts: the sheet was not read", Write: "say which column holds them: --column ref=A"})
				continue
			}
			return nil, noRefs(s, l)
		}
		readers = append(readers, &reader{List: out, opt: opt, s: s, l: l, last: map[string]string{}, seen: seen, seenPos: pos})
	}
	if len(readers) == 0 {
		return nil, noRefs(sheets[0], layout(sheets[0], columnWords, opt.Columns, nil))
	}
	inBook := map[string]int{}
	for _, r := range readers {
		inBook[r.s.File]++
	}
	for _, r := range readers {
		out.Layouts = append(out.Layouts, r.l)
		r.where(inBook[r.s.File] > 1, len(files) > 1)
		r.read()
	}
	return out, nil
}

func noRefs(s *Sheet, l *Layout) error {
	var heads []string
	first := l.Headings
	for i := 0; i < len(s.Rows) && first == nil; i++ {
		if !blank(s.Rows[i]) {
			first = s.Rows[i]
		}
	}
	for i, h := range first {
		if h != "" {
			heads = append(heads, fmt.Sprintf("%s (%s)", h, Column{At: i}.Letter()))
		}
	}
	what := "no column holds references (C1, R5-R9) or numbers of parts"
	if len(heads) > 0 {
		what += "; the columns are " + strings.Join(heads, ", ")
	}
	return &Error{File: s.File, What: what, Remedy: "say which one it is, by its heading or letter: --column ref=A", Option: "--column"}
}

// where decides which section rows are in that do not say.
func (r *reader) where(sheetsAreSections, filesAreSections bool) {
	if r.l.at(ColSection) >= 0 {
		return
	}
	key := "section:" + r.s.File
	switch answer := r.opt.Answers[key]; {
	case answer != "":
		r.section = answer
		return
	case r.opt.Section != "":
		r.section = r.opt.Section
		return
	case sheetsAreSections:
		r.section = r.s.Name
		return
	}
	section, board := fileSection(r.s.File)
	if board != "" || filesAreSections {
		r.section, r.board = section, board
		r.say(0, fmt.Sprintf("section %s%s: from the file's name", section, onBoardWords(board)), "if that is wrong: --section NAME")
	}
}

func onBoardWords(board string) string {
	if board == "" {
		return ""
	}
	return ", board " + board
}

// fileSection is the section, and the board, that a file's name names: amplifier
// TA-5.csv.
func fileSection(file string) (section, board string) {
	name := path.Base(strings.ReplaceAll(file, `\`, "/"))
	name = strings.TrimSuffix(name, path.Ext(name))
	words := strings.Fields(strings.ReplaceAll(name, "_", " "))
	if n := len(words); n > 1 && boardToken.MatchString(words[n-1]) {
		return strings.Join(words[:n-1], " "), words[n-1]
	}
	return strings.Join(words, " "), ""
}

func (r *reader) say(row int, what, write string) {
	r.Said = append(r.Said, Note{r.s.File, r.s.Name, row, what, write})
}

func (r *reader) refuse(row int, what, write string) {
	r.NotTaken = append(r.NotTaken, Note{r.s.File, r.s.Name, row, what, write})
}

// text is a cell by what its column holds; several columns alike are joined.
func (r *reader) text(row []string, is string) string {
	var out []string
	for _, c := range r.l.all(is) {
		if t := cell(row, c); t != "" {
			if dittoForm.MatchString(t) {
				t = r.last[is+strconv.Itoa(c)]
			}
			out = append(out, t)
			r.last[is+strconv.Itoa(c)] = t
		}
	}
	return strings.Join(out, ", ")
}

func (r *reader) read() {
	counted := r.l.at(ColRef) < 0
	if counted {
		r.say(0, "numbers of parts without references: what was bought is not always what is fitted", "")
	}
	for i := r.l.Head; i < len(r.s.Rows); i++ {
		row := r.s.Rows[i]
		if blank(row) || r.l.Head > 0 && slices.Equal(row, r.l.Headings) {
			continue
		}
		r.Rows++
		n := i + 1
		ref := r.text(row, ColRef)
		var at refCell
		if !counted {
			at = readRefs(ref)
		}
		good := len(at.refs) > 0 || at.count > 0
		if !good && r.total(n, row) {
			continue
		}
		if word := firstCell(row); !good && (postage.MatchString(fold(word)) || counted && postage.MatchString(fold(r.text(row, ColDesc)))) {
			r.refuse(n, "postage: no part", "")
			continue
		} else if !good && (taxWords.MatchString(fold(word)) || counted && taxWords.MatchString(fold(r.text(row, ColDesc)))) {
			r.refuse(n, "tax: no part", "")
			continue
		}
		if !counted && !good && !at.letter && r.heading(i, row) {
			continue
		}
		count := countOfCell(r.text(row, ColCount))
		switch {
		case counted && count == 0:
			r.refuse(n, "a note, no quantity", "write how many under "+r.headingOf(ColCount))
			continue
		case counted:
			at.count = count
		case !good && ref == "" && count > 0 && r.text(row, ColDesc)+r.text(row, ColValue) != "":
			at = refCell{count: count, odd: "no reference: taken as a number of parts"}
		case !good && ref == "":
			r.refuse(n, "no reference: "+quoted(shortRow(row)), "write which part it is under "+r.headingOf(ColRef)+": C14, C1-C12")
			continue
		case !good && !at.letter:
			r.refuse(n, "no reference: "+quoted(ref), "write which part it is under "+r.headingOf(ColRef)+": C14, C1-C12")
			continue
		case !good:
			r.refuse(n, at.wrong, at.write)
			continue
		case at.count > 0:
			at.odd = fmt.Sprintf("%q under %s: taken as %d parts without references", ref, r.headingOf(ColRef), at.count)
		}
		if at.odd != "" {
			r.say(n, at.odd, "")
		}
		if count > 0 && len(at.refs) > 0 && count != len(at.refs) && !(count == 1 && len(r.l.all(ColCount)) == 0) {
			r.say(n, fmt.Sprintf("%d by quantity, %s: %s", count, plural(len(at.refs), "reference"), ref), "the references were taken")
		}
		r.part(n, row, at)
	}
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func quoted(s string) string { return `"` + s + `"` }

func (r *reader) headingOf(is string) string {
	at := r.l.at(is)
	if h := cell(r.l.Headings, at); h != "" {
		return h
	}
	if at < 0 {
		return is
	}
	return "column " + Column{At: at}.Letter()
}

func firstCell(row []string) string {
	for _, c := range row {
		if c != "" {
			return c
		}
	}
	return ""
}

func shortRow(row []string) string {
	var words []string
	for _, c := range row {
		if c != "" {
			words = append(words, c)
		}
	}
	text := strings.Join(words, " ")
	if rs := []rune(text); len(rs) > 60 {
		return string(rs[:60]) + "..."
	}
	return text
}

// total reports whether a row adds up others; where it counts parts it is held
// against them.
func (r *reader) total(n int, row []string) bool {
	word := ""
	for _, c := range row {
		if totalWords.MatchString(fold(c)) {
			word = c
			break
		}
	}
	if word == "" {
		return false
	}
	what := "a total, no part"
	says := countOfCell(r.text(row, ColCount))
	if says == 0 {
		for _, c := range row {
			if m := partsIn.FindStringSubmatch(fold(c)); m != nil && strings.ContainsAny(c, "abcdefghijklmnopqrstuvwxyz") {
				says, _ = strconv.Atoi(m[1])
			}
		}
	}
	all := 0
	for _, p := range r.Positions {
		if p.File == r.s.File && p.Sheet == r.s.Name {
			all += max(1, p.Count)
		}
	}
	if says > 0 && says != r.since && says != all {
		r.say(n, fmt.Sprintf("the total says %d; the rows above make %d", says, r.since), "")
	}
	r.since = 0
	r.refuse(n, what, "")
	return true
}

// heading reports whether a row names the section of those below it: it has one
// cell, and the next row holds a part.
func (r *reader) heading(i int, row []string) bool {
	filled := 0
	for _, c := range row {
		if c != "" {
			filled++
		}
	}
	if filled != 1 || r.l.at(ColSection) >= 0 {
		return false
	}
	for _, next := range r.s.Rows[i+1:] {
		if blank(next) {
			continue
		}
		if c := readRefs(cell(next, r.l.at(ColRef))); len(c.refs) == 0 {
			return false
		}
		r.section, r.board = sectionName(firstCell(row)), ""
		if strings.ContainsAny(firstCell(row), ",/@") {
			r.say(i+1, fmt.Sprintf("section %s: a section's name has no comma, slash or @", quoted(r.section)), "")
		}
		return true
	}
	return false
}

// sectionName writes a section as a model may have it: no commas, and no
// capitals throughout.
func sectionName(s string) string {
	s = strings.Join(strings.Fields(notSections.Replace(s)), " ")
	s = strings.Trim(s, ".:- ")
	if len(s) > 4 && s == strings.ToUpper(s) {
		words := strings.Fields(s)
		for i, w := range words {
			if len(w) > 2 || len(words) == 1 {
				words[i] = strings.ToLower(w)
			}
		}
		s = strings.Join(words, " ")
	}
	return s
}

// place finds section and board of a row.
func (r *reader) place(n int, row []string, at refCell) (section, board string) {
	if r.l.at(ColSection) >= 0 {
		if t := r.text(row, ColSection); t != "" {
			if t != r.filled {
				r.filledB = ""
			}
			r.filled = t
		}
		if t := r.text(row, ColBoard); t != "" {
			r.filledB = t
		} else if r.text(row, ColSection) != "" {
			r.filledB = ""
		}
		section, board = r.filled, r.filledB
	} else {
		section, board = r.section, r.board
		if t := r.text(row, ColBoard); t != "" {
			board = t
		}
	}
	if at.board != "" {
		if section != "" && !strings.EqualFold(section, at.board) {
			board = at.board
		} else {
			section = at.board
		}
	}
	name := sectionName(section)
	count := 0
	if m := offWords.FindStringSubmatch(name); m != nil && m[1] != "" {
		name = strings.TrimSpace(m[1])
		count, _ = strconv.Atoi(m[2])
	}
	if name == "" {
		key := "section:" + r.s.File
		if !slices.ContainsFunc(r.Questions, func(q Question) bool { return q.Key == key }) {
			guess, _ := fileSection(r.s.File)
			r.Questions = append(r.Questions, Question{Key: key, Text: "Which section of the instrument are the parts of " + r.s.File + " in?", Default: sectionName(guess),
				Option: `--section "` + sectionName(guess) + `"`})
		}
		return "", board
	}
	for _, s := range r.Sections {
		if strings.EqualFold(s.Name, name) {
			return s.Name, board
		}
	}
	if count < 2 {
		count = 0
	}
	r.Sections = append(r.Sections, SectionName{name, count})
	return name, board
}

// part takes the positions of one row.
func (r *reader) part(n int, row []string, at refCell) {
	section, board := r.place(n, row, at)
	letters := ""
	if len(at.refs) > 0 {
		letters = strings.TrimRight(strings.SplitN(string(at.refs[0]), ":", 2)[0], "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ")
		if m := lettersOf.FindString(string(at.refs[0])); m != "" {
			letters = m
		}
	}
	p := Position{File: r.s.File, Sheet: r.s.Name, Row: n, Section: section, Board: board, Count: at.count}
	value, unit := r.text(row, ColValue), r.text(row, ColUnit)
	if unit != "" && bareNumber.MatchString(value) {
		value += " " + unit
	}
	d := describe(letters, value, r.text(row, ColRating), r.text(row, ColDesc), r.text(row, ColNote), strings.TrimSpace(r.text(row, ColMaker)+" "+r.text(row, ColNumber)), at.words, r.s.Comma)
	if volts.MatchString(headingForm(cell(r.l.Headings, r.l.at(ColRating)))) { // the heading is the unit
		d.said = slices.DeleteFunc(d.said, func(n Note) bool { return strings.HasSuffix(n.What, " V") })
	}
	p.Family, p.Sure, p.Value, p.Rating, p.Type, p.Note = d.family, d.sure, schema.Quantity(d.value), schema.Quantity(d.rating), d.words, d.note
	if p.Family == "" {
		r.refuse(n, fmt.Sprintf("what kind of part %s is cannot be told", firstOf(at, shortRow(row))), "write it in words in the row: electrolytic, carbon film, key contact")
		return
	}
	for _, s := range d.said {
		r.say(n, strings.TrimSuffix(strings.TrimSpace(firstOf(at, "")+": "+s.What), ":"), s.Write)
	}
	if at.count > 0 {
		r.Positions = append(r.Positions, p)
		r.since += at.count
		return
	}
	for _, ref := range at.refs {
		key := strings.ToLower(section) + "\x00" + string(ref)
		if before, ok := r.seen[key]; ok {
			q := r.seenPos[key]
			what := fmt.Sprintf("%s stands in row %d already", ref, before)
			if q.Value != p.Value && q.Value != "" {
				what += ", as " + string(q.Value)
				r.Said = append(r.Said, Note{q.File, q.Sheet, q.Row, fmt.Sprintf("%s stands in rows %d and %d with two values; the first was taken", ref, before, n), "take one of them out"})
			}
			if q.File != p.File || q.Sheet != p.Sheet {
				what = fmt.Sprintf("%s stands in %s, row %d already", ref, strings.TrimSpace(q.File+" "+q.Sheet), before)
			}
			r.refuse(n, what, "take one of the two out, or write the other reference")
			continue
		}
		p.Ref = ref
		r.seen[key], r.seenPos[key] = n, p
		r.Positions = append(r.Positions, p)
		r.since++
	}
}

var volts = pattern.New(`^(?:volts?|voltage|working voltage|wv|wvdc|spannung|tension|tensione|voltaje|spanning)$`)

var (
	lettersOf  = pattern.New(`^[A-Za-z]+`)
	bareNumber = pattern.New(`^[0-9]+(?:[.,][0-9]+)?$`)
)

func firstOf(at refCell, other string) string {
	switch {
	case len(at.refs) > 0:
		return refs.Compact(at.refs)
	case at.count > 0:
		return fmt.Sprintf("%d parts", at.count)
	}
	return other
}

// described is what the cells of a row say of its part.
type described struct {
	family              schema.FamilyName
	sure                bool
	value, rating, note string
	words               string
	said                []Note
}

// describe reads what a row says of its part.
func describe(letters, value, rating, desc, note, number, aside string, comma bool) described {
	var d described
	vq, vRest := quantities(value, comma)
	rq, rRest := quantities(rating, comma)
	dq, dRest := quantities(desc, comma)
	all := slices.Concat(vq, rq, dq)
	words := strings.Join(nonEmpty(vRest, desc, rRest), ", ")
	d.family, d.sure = familyOf(letters, words, note, all)
	if d.family == "" {
		return d
	}
	group, kind, _ := strings.Cut(string(d.family), "/")
	say := func(what, write string) { d.said = append(d.said, Note{What: what, Write: write}) }
	takes := map[string][2]string{ // dimension of value and rating
		"capacitor": {"capacitance", "voltage"}, "resistor": {"resistance", "power"}, "inductor": {"inductance", "current"},
		"fuse": {"", "current"}, "battery": {"voltage", "charge"},
	}[group]
	switch string(d.family) {
	case "diode/zener":
		takes = [2]string{"voltage", "power"}
	case "ic/regulator":
		takes = [2]string{"voltage", "current"}
	}
	left := map[string]string{"value": value, "rating": rating, "desc": desc}
	if takes != [2]string{} {
		left = map[string]string{"value": vRest, "rating": rRest, "desc": dRest}
		var more []string
		put := func(q found, column string) {
			dim := q.dimension
			if dim == "alternating voltage" || dim == "direct voltage" {
				if dim == "alternating voltage" && takes[1] == "voltage" {
					more = append(more, "AC")
				}
				dim, q.text = "voltage", strings.NewReplacer("VAC", "V", "VDC", "V").Replace(q.text)
			}
			switch {
			case q.doubt != "":
				say(q.doubt+"; the value was left open", q.write)
			case q.bare && column == "desc" && !(group == "capacitor" && d.value == "" && value == "" && strings.HasPrefix(q.text, "0.")):
				more = append(more, q.text)
			case q.bare:
				text, isRating, ok := withUnit(q.text, d.family, column == "rating" || column == "value" && d.value != "")
				if !ok {
					more = append(more, q.text)
					return
				}
				if isRating && d.rating == "" {
					d.rating = text
				} else if !isRating && d.value == "" {
					d.value = text
				} else {
					more = append(more, q.text)
					return
				}
				say(fmt.Sprintf("%s has no unit; taken as %s", q.text, text), "")
			case dim == takes[0] && d.value == "" && dim != "":
				d.value = q.text
			case dim == takes[1] && d.rating == "":
				d.rating = q.text
			case dim == takes[0] && column != "desc" && dim != "":
				more = append(more, q.text)
			default:
				more = append(more, q.text)
			}
			if q.odd != "" {
				say(q.odd, "")
			}
		}
		for _, c := range []struct {
			name string
			list []found
		}{{"value", vq}, {"rating", rq}, {"desc", dq}} {
			for _, q := range c.list {
				put(q, c.name)
			}
		}
		left["desc"] = strings.TrimSpace(left["desc"] + " " + strings.Join(more, " "))
	} else {
		// Of other parts a rating is what stands under that heading, a value what can
		// be nothing else: 2N3055 is no capacitance.
		if len(rq) == 1 && rRest == "" && !rq[0].bare && rq[0].doubt == "" {
			d.rating, left["rating"] = rq[0].text, ""
		}
		if len(vq) == 1 && vRest == "" && slices.Contains([]string{"voltage", "current", "frequency", "power"}, vq[0].dimension) && vq[0].doubt == "" {
			d.value, left["value"] = vq[0].text, ""
		}
	}
	if number == "" && note != "" && !partNumber.MatchString(words) && partNumber.MatchString(note) && slices.Contains([]string{"transistor", "ic", "diode", "tube"}, group) {
		number, note = note, ""
	}
	d.words = typeWords(d.family, number, left["value"], left["desc"], left["rating"], aside)
	d.words = millimetres.ReplaceAllString(d.words, "$1 mm")
	d.note = note
	if strings.Contains(value, "-") && sectionsOf.MatchString(signs.Replace(value)) {
		say("several sections in one can, taken as one position", "")
	}
	if !d.sure {
		switch {
		case group == "fuse":
			say("whether it is the mains fuse or an internal one is not said; taken as "+string(d.family), "write mains or internal in the row")
		case group == kind:
		default:
			say("the list does not say what kind it is; taken as "+string(d.family), "")
		}
	}
	return d
}

var millimetres = pattern.New(`\b([0-9.]+)mm\b`)

func nonEmpty(list ...string) []string {
	return slices.DeleteFunc(slices.Clone(list), func(s string) bool { return s == "" })
}

// withUnit gives a number alone the unit that such parts have it in; ok is false
// where that cannot be told.
func withUnit(n string, family schema.FamilyName, second bool) (text string, rating, ok bool) {
	group, kind, _ := strings.Cut(string(family), "/")
	whole := !strings.ContainsAny(n, ".")
	switch {
	case group == "capacitor" && second:
		return n + " V", true, true
	case group == "capacitor" && (kind == "electrolytic" || kind == "tantalum" || !whole || strings.HasPrefix(n, "0.")):
		return n + " uF", false, true
	case group == "capacitor":
		return n + " pF", false, true
	case group == "resistor" && second:
		return n + " W", true, true
	case group == "resistor":
		return n + " Ohm", false, true
	case family == "diode/zener" || group == "battery":
		return n + " V", false, true
	}
	return "", false, false
}
