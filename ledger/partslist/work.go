package partslist

import (
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"

	"benchlore/schema"
	"benchlore/schema/pattern"
	"benchlore/schema/refs"
)

// WorkOptions are what the reader of finished work is told, and what it asks of
// the ledger.
type WorkOptions struct {
	Columns    []ColumnChoice
	Remembered func(headings []string) []ColumnChoice
	Words      []schema.ListWord   // what words stand for, as the shop has said
	Unit       string              // of lists that do not name one
	Dates      schema.DateOrder    // "" : as the list says itself
	Today      schema.Date         // later days are slips
	Currency   string              // the shop's
	Find       func(string) string // the unit a text names; "" for none
	Sections   func(unit string) []string
	Positions  func(unit, section string) []refs.Ref
	Fitted     func(unit, section string, ref refs.Ref) schema.PositionSet // what the model has there
}

// WorkLine is one row of finished work, or one part of it, as a line of a record.
type WorkLine struct {
	File, Sheet string
	Row         int
	Unit        string // as Find has it; as written where it has none
	Day         schema.Date
	Line        schema.PartLine
}

// WorkSum is the time or money of a unit's day.
type WorkSum struct {
	Unit     string
	Day      schema.Date
	Hours    *big.Rat // nil: none
	Amount   *big.Rat
	Currency string
}

// Work is what a list of finished work says.
type Work struct {
	Layouts  []*Layout
	Rows     int
	Lines    []WorkLine
	Sums     []WorkSum
	Unknown  []string // units that Find does not have, as written
	Means    []schema.ListWord
	NotTaken []Note
	Said     []Note
}

// IsWork reports whether a sheet is a list of finished work: it has a column of
// days, and one of what was found or done.
func IsWork(sheets []*Sheet, told []ColumnChoice) bool {
	return slices.ContainsFunc(sheets, func(s *Sheet) bool {
		l := layout(s, workWords, told, nil)
		return l.Head > 0 && l.at(ColDay) >= 0 && (l.at(ColAction) >= 0 || l.at(ColFound) >= 0)
	})
}

// Headings are those of the first sheet of finished work.
func Headings(sheets []*Sheet) []string {
	for _, s := range sheets {
		if l := layout(s, workWords, nil, nil); l.Head > 0 {
			return l.Headings
		}
	}
	return nil
}

type workReader struct {
	*Work
	opt       WorkOptions
	s         *Sheet
	l         *Layout
	order     schema.DateOrder
	done      map[string]WorkLine // by unit, section, reference: what was fitted last
	hours     *big.Rat            // since the last total
	amount    *big.Rat
	lostHours *big.Rat // of rows that were not taken
	lostSum   *big.Rat
	unit      string // of the row
}

// ReadWork reads lists of finished work. Rows with no unit, no day or no place are
// named in NotTaken. A list whose days can be read in two ways is an *Error that
// names the option that says which.
func ReadWork(sheets []*Sheet, opt WorkOptions) (*Work, error) {
	out := &Work{}
	done := map[string]WorkLine{}
	var readers []*workReader
	for _, s := range sheets {
		l := layout(s, workWords, opt.Columns, rememberedOf(s, opt.Remembered))
		if l.Head == 0 || l.at(ColDay) < 0 || l.at(ColAction) < 0 && l.at(ColFound) < 0 {
			for i, row := range s.Rows {
				if !blank(row) {
					out.NotTaken = append(out.NotTaken, Note{s.File, s.Name, i + 1, "no columns of work: " + quoted(shortRow(row)), ""})
				}
			}
			continue
		}
		readers = append(readers, &workReader{Work: out, opt: opt, s: s, l: l, done: done, hours: new(big.Rat), amount: new(big.Rat), lostHours: new(big.Rat), lostSum: new(big.Rat)})
	}
	if len(readers) == 0 {
		return nil, &Error{File: sheets[0].File, What: "no column holds the day, and what was found or done", Remedy: "say which columns they are: --column date=A --column action=D", Option: "--column"}
	}
	order, err := dateOrder(readers, opt)
	if err != nil {
		return nil, err
	}
	for _, r := range readers {
		r.order = order
		out.Layouts = append(out.Layouts, r.l)
		if r.l.at(ColInstrument) < 0 && opt.Unit == "" {
			return nil, &Error{File: r.s.File, What: "no column says which unit the work was done on", Remedy: "add --unit TAG, and --open MODEL if the ledger does not have it yet", Option: "--unit"}
		}
		r.read()
	}
	return out, nil
}

var dayForm = pattern.New(`^(\d{1,4})\s*([./-])\s*(\d{1,2})\s*[./-]\s*(\d{2,4})$`)

// dateOrder finds how the lists write days.
func dateOrder(readers []*workReader, opt WorkOptions) (schema.DateOrder, error) {
	if opt.Dates != "" {
		return opt.Dates, nil
	}
	dayFirst, monthFirst, open := false, false, ""
	for _, r := range readers {
		for _, row := range r.s.Rows[r.l.Head:] {
			t := cell(row, r.l.at(ColDay))
			m := dayForm.FindStringSubmatch(t)
			if m == nil || len(m[1]) == 4 {
				continue
			}
			a, _ := strconv.Atoi(m[1])
			b, _ := strconv.Atoi(m[3])
			switch {
			case a > 12 || m[2] == ".":
				dayFirst = true
			case b > 12:
				monthFirst = true
			case a != b:
				open = t
			}
		}
	}
	switch {
	case dayFirst && !monthFirst:
		return schema.DayMonthYear, nil
	case monthFirst && !dayFirst:
		return schema.MonthDayYear, nil
	case open == "" && !dayFirst:
		return schema.YearMonthDay, nil
	}
	return "", &Error{File: readers[0].s.File, What: fmt.Sprintf("%s can be a day in two ways", open), Remedy: "add --dates day-month-year or --dates month-day-year", Option: "--dates"}
}

// day reads a day as the list writes it.
func (r *workReader) day(t string) (schema.Date, error) {
	if d, err := schema.ParseDate(t); err == nil {
		return d, nil
	}
	m := dayForm.FindStringSubmatch(t)
	if m == nil {
		if n, err := strconv.Atoi(t); err == nil && n > 20000 && n < 80000 { // a spreadsheet's number of a day
			return schema.ParseDate(serialDay(float64(n)))
		}
		return schema.Date{}, fmt.Errorf("%q is no day", t)
	}
	a, b, c := m[1], m[3], m[4]
	if len(a) == 4 {
		a, c = c, a
	} else if r.order == schema.MonthDayYear {
		a, b = b, a
	}
	year, _ := strconv.Atoi(c)
	if len(c) == 2 {
		year += 2000
		if year > r.opt.Today.Year {
			year -= 100
		}
	}
	month, _ := strconv.Atoi(b)
	day, _ := strconv.Atoi(a)
	d, err := schema.ParseDate(fmt.Sprintf("%04d-%02d-%02d", year, month, day))
	if err != nil {
		return d, fmt.Errorf("%q is no day", t)
	}
	return d, nil
}

func (r *workReader) text(row []string, is string) string {
	var out []string
	for _, c := range r.l.all(is) {
		if t := cell(row, c); t != "" {
			out = append(out, t)
		}
	}
	return strings.Join(out, ", ")
}

func (r *workReader) say(row int, what, write string) {
	r.Said = append(r.Said, Note{r.s.File, r.s.Name, row, what, write})
}

func (r *workReader) refuse(row int, what, write string) {
	r.NotTaken = append(r.NotTaken, Note{r.s.File, r.s.Name, row, what, write})
}

func (r *workReader) headingOf(is string) string {
	if at := r.l.at(is); at >= 0 {
		return cell(r.l.Headings, at)
	}
	return is
}

// number reads hours and amounts: 3.5, 1,25, 4,20 €, 1:30 h.
func (r *workReader) number(t string) *big.Rat {
	t = strings.TrimSpace(strings.Trim(t, "€£$ "))
	// What stands behind a number: h, hrs, Std., EUR, euro, GBP.
	t = strings.TrimSpace(strings.TrimRight(strings.ToLower(t), "hrstdeuogbp. "))
	if h, m, ok := strings.Cut(t, ":"); ok {
		a, err1 := strconv.Atoi(h)
		b, err2 := strconv.Atoi(m)
		if err1 == nil && err2 == nil && b < 60 {
			return big.NewRat(int64(60*a+b), 60)
		}
		return nil
	}
	n, _, ok := plainNumber(t, r.s.Comma)
	if !ok {
		return nil
	}
	return rat(n)
}

func (r *workReader) read() {
	unit := r.opt.Unit
	for i := r.l.Head; i < len(r.s.Rows); i++ {
		row := r.s.Rows[i]
		if blank(row) || slices.Equal(row, r.l.Headings) {
			continue
		}
		r.Rows++
		r.row(i+1, row, &unit)
	}
}

func (r *workReader) row(n int, row []string, unit *string) {
	hours, amount := r.number(r.text(row, ColHours)), r.number(r.text(row, ColPrice))
	for _, c := range row {
		if totalWords.MatchString(fold(c)) {
			r.total(n, hours, amount)
			return
		}
	}
	lose := func(what, write string) {
		if hours != nil {
			r.lostHours.Add(r.lostHours, hours)
		}
		if amount != nil {
			r.lostSum.Add(r.lostSum, amount)
		}
		r.refuse(n, what, write)
	}
	name := *unit
	if t := r.text(row, ColInstrument); t != "" {
		name = t
	} else if r.l.at(ColInstrument) >= 0 {
		lose("no unit: "+quoted(shortRow(row)), "write the unit under "+r.headingOf(ColInstrument))
		return
	}
	if found := r.find(name); found != "" {
		name = found
	} else if !slices.Contains(r.Unknown, name) {
		r.Unknown = append(r.Unknown, name)
	}
	t := r.text(row, ColDay)
	if t == "" {
		lose("no day: "+quoted(shortRow(row)), "write the day under "+r.headingOf(ColDay)+"; if it is forgotten, one that is near")
		return
	}
	day, err := r.day(t)
	if err != nil {
		lose(err.Error(), "write it like 2015-03-12 under "+r.headingOf(ColDay))
		return
	}
	if day.After(r.opt.Today.Day) {
		lose(day.String()+" has not come yet", "write the day the work was done under "+r.headingOf(ColDay))
		return
	}
	place := r.text(row, ColSection) + r.text(row, ColRef) + r.text(row, ColFound) + r.text(row, ColAction) + r.text(row, ColNew)
	if place != "" {
		r.unit = name
		lines, what, write := r.lines(n, row, name)
		if what != "" {
			lose(what, write)
			return
		}
		for _, line := range lines {
			key := name + "\x00" + strings.ToLower(string(line.Section)) + "\x00" + string(line.Ref)
			if before, ok := r.done[key]; ok && line.Action == schema.Replaced && before.Line.Action == schema.Replaced && sameFitted(before.Line, line) && line.Note == "" {
				write := "if it was done twice, write why under " + r.headingOf(ColNote)
				if r.l.at(ColNote) < 0 {
					write = "if it was done twice, add a column Note and write why"
				}
				lose(fmt.Sprintf("%s %s was replaced by the same in row %d, on %s: written twice", line.Section, line.Ref, before.Row, before.Day), write)
				return
			}
			w := WorkLine{r.s.File, r.s.Name, n, name, day, line}
			r.done[key] = w
			r.Lines = append(r.Lines, w)
		}
	} else if note := r.text(row, ColNote); note != "" && hours == nil && amount == nil {
		lose("a note, no part: "+quoted(note), "write where it belongs: section and reference")
		return
	}
	for _, x := range []struct {
		is   string
		got  *big.Rat
		text string
	}{{ColHours, hours, r.text(row, ColHours)}, {ColPrice, amount, r.text(row, ColPrice)}} {
		if x.got == nil && x.text != "" {
			r.say(n, fmt.Sprintf("%s: %q is no number, and was left out", r.headingOf(x.is), x.text), "write a number")
		}
	}
	if hours != nil || amount != nil {
		r.add(name, day, hours, amount)
	}
}

func sameFitted(a, b schema.PartLine) bool {
	if a.New == nil || b.New == nil {
		return a.New == b.New
	}
	return *a.New == *b.New
}

func (r *workReader) add(unit string, day schema.Date, hours, amount *big.Rat) {
	at := slices.IndexFunc(r.Sums, func(s WorkSum) bool { return s.Unit == unit && s.Day == day })
	if at < 0 {
		at = len(r.Sums)
		r.Sums = append(r.Sums, WorkSum{Unit: unit, Day: day, Currency: r.currency()})
	}
	sum := func(to **big.Rat, since, x *big.Rat) {
		if x == nil {
			return
		}
		if *to == nil {
			*to = new(big.Rat)
		}
		(*to).Add(*to, x)
		since.Add(since, x)
	}
	sum(&r.Sums[at].Hours, r.hours, hours)
	sum(&r.Sums[at].Amount, r.amount, amount)
}

// currency is what the heading says; "" where it says nothing, or the shop's own.
func (r *workReader) currency() string {
	h := r.headingOf(ColPrice)
	for sign, code := range map[string]string{"£": "GBP", "€": "EUR", "$": "USD", "GBP": "GBP", "EUR": "EUR", "USD": "USD", "CHF": "CHF"} {
		if strings.Contains(h, sign) && code != r.opt.Currency {
			return code
		}
	}
	return ""
}

// total holds a row that adds up against what was taken.
func (r *workReader) total(n int, hours, amount *big.Rat) {
	for _, x := range []struct {
		is              string
		says, got, lost *big.Rat
	}{{ColHours, hours, r.hours, r.lostHours}, {ColPrice, amount, r.amount, r.lostSum}} {
		if x.says == nil || x.says.Cmp(x.got) == 0 {
			continue
		}
		what := fmt.Sprintf("%s: the total says %s; %s was taken", r.headingOf(x.is), decimalOf(x.says), decimalOf(x.got))
		if x.lost.Sign() > 0 {
			what += fmt.Sprintf(", and rows that were not taken have %s", decimalOf(x.lost))
		}
		r.say(n, what, "")
	}
	r.refuse(n, "a total, no work", "")
}

func decimalOf(x *big.Rat) string {
	return strings.TrimSuffix(strings.TrimRight(x.FloatString(2), "0"), ".")
}

// find finds the unit that a cell names, by what the shop has said and then in the
// ledger.
func (r *workReader) find(text string) string {
	for _, w := range r.opt.Words {
		if w.In == ColInstrument && strings.EqualFold(w.Word, text) {
			text = w.Means
		}
	}
	return r.opt.Find(text)
}

// sectionWords are sections in other languages, folded (common practice, no source).
var sectionWords = map[string][]string{
	"power supply": {"psu", "netzteil", "alimentation", "alimentatore", "alimentacion", "voeding", "power", "mains supply", "supply"},
	"preamp":       {"preamplifier", "vorverstarker", "preampli", "preamplificateur", "preamplificatore", "voorversterker", "pre-amp", "pre amp"},
	"amplifier":    {"amp", "verstarker", "endstufe", "ampli", "amplificateur", "amplificatore", "versterker", "power amp"},
	"divider":      {"teiler", "diviseur", "divisore", "deler", "dividers"},
	"oscillator":   {"oszillator", "generator", "oscillateur", "generateur", "oscillatore", "generatore"},
	"keybed":       {"keyboard", "keys", "tastatur", "klaviatur", "manual", "clavier", "tastiera", "teclado", "klavier"},
	"chassis":      {"case", "gehause", "chassis", "cabinet", "mobile", "kast", "boitier", "coffret", "telaio"},
	"percussion":   {"perkussion", "percussions", "percussione"},
	"vibrato":      {"vibrato board"},
	"tone filter":  {"filter", "klangfilter", "filtres", "filtri", "filtre"},
	"expression":   {"schweller", "expression pedal", "pedale d'expression", "swell"},
	"tab panel":    {"panel", "bedienfeld", "register", "tabs", "tableau", "pannello"},
}

var sectionNumber = pattern.New(`^(.*?)\s*(\d+)(?:\s*(?:-|–|to|bis|à|a|\.\.+)\s*(\d+))?$`)

// section finds the section of a unit that a cell means.
func (r *workReader) section(unit, text, ref string) (string, bool) {
	for _, w := range r.opt.Words {
		if w.In == ColSection && strings.EqualFold(w.Word, text) {
			return w.Means, true
		}
	}
	have := r.opt.Sections(unit)
	pick := func(name string) string {
		for _, s := range have {
			if strings.EqualFold(s, name) {
				return s
			}
		}
		return ""
	}
	if have == nil {
		return sectionName(text), true
	}
	if s := pick(text); s != "" {
		return s, true
	}
	base, suffix, last := text, "", ""
	if m := sectionNumber.FindStringSubmatch(text); m != nil && m[1] != "" {
		base, suffix, last = m[1], " "+m[2], m[3]
	}
	names := []string{base}
	f := fold(base)
	for name, words := range sectionWords {
		if f == name || slices.Contains(words, f) {
			names = append(names, name)
			names = append(names, words...)
		}
	}
	slices.Sort(names[1:])
	best, means, has := "", "", false
	for _, name := range names {
		s := pick(name + suffix)
		if s == "" {
			continue
		}
		// Of case and chassis it is the one that has the part.
		there := false
		for _, one := range readRefs(ref).refs {
			there = there || slices.Contains(r.opt.Positions(unit, s), one)
		}
		if m := refInWords.FindStringSubmatch(ref); m != nil {
			there = there || slices.Contains(r.opt.Positions(unit, s), refs.Ref(m[1]))
		}
		if best == "" || there && !has {
			best, means, has = s, name, there
		}
	}
	if best != "" {
		if last != "" {
			best += "-" + last
		}
		if means != base && !slices.ContainsFunc(r.Means, func(w schema.ListWord) bool { return w.Word == base && w.In == ColSection }) {
			r.Means = append(r.Means, schema.ListWord{Word: base, Means: means, In: ColSection})
		}
		return best, true
	}
	return "", false
}

// verdict is what a word for a finding means.
type verdict struct {
	words *pattern.Pattern
	found schema.Finding
	mode  schema.Mode
	guess bool
}

func means(found schema.Finding, mode schema.Mode, words string) verdict {
	return verdict{words: pattern.New(`(?:^|[^\pL])(?:` + words + `)(?:$|[^\pL])`), found: found, mode: mode}
}

// verdicts are tried in order, on folded words.
var verdicts = []verdict{
	means(schema.Untested, "", `not tested|untested|not checked|nicht gepruft|ungepruft|non teste[es]?|pas teste|pas controle|non provat[oi]|niet getest`),
	means(schema.Missing, "", `missing|gone|fehlt|fehlend|manquant[es]?|mancante|manca|ontbreekt`),
	means(schema.Failed, "wrong-part", `wrong(?: part| value| one)?|falsch|falscher wert|faux|mauvais[e]? valeur|sbagliat[oa]|verkeerd`),
	means(schema.Failed, "short", `short(?:ed)?|short circuit|kurzschluss|kurzgeschlossen|court-circuit|en court|in corto|cortocircuito|kortsluiting`),
	means(schema.Failed, "leakage", `leak(?:y|ed|ing|age|s)?|ausgelaufen|undicht|leckstrom|leckt|fuite|fuit|coule|perde|perdita|lekt`),
	means(schema.Failed, "burnt", `burn(?:t|ed)(?: out)?|charred|scorched|verbrannt|verschmort|brule[es]?|crame|bruciat[oa]|verbrand`),
	means(schema.Failed, "open", `open(?: circuit)?|blown|unterbrochen|durchgebrannt|coupe|ouvert|grille|interrott[oa]|aperto|doorgebrand`),
	{pattern.New(`(?:^|[^\pL])(?:dried(?: out| up)?|dry|ausgetrocknet|vertrocknet|trocken|sec|seche|secco|uitgedroogd)(?:$|[^\pL])`), schema.Failed, "drift", true},
	means(schema.Degraded, "high-esr", `high esr|esr(?: high)?|esr hoch`),
	means(schema.Degraded, "out-of-adjustment", `out of tune|out of adjustment|detuned|misadjusted|verstimmt|desaccorde|deregle|scordat[oa]|starato|ontstemd`),
	means(schema.Degraded, "contamination", `dirty|contaminated|verschmutzt|schmutzig|dreckig|encrasse[es]?|sale|sporc[oa]|vuil|scratchy|kratzt|crachote`),
	means(schema.Degraded, "drift", `drift(?:ed)?|off value|out of tolerance|abgedriftet|hors tolerance|derive|fuori tolleranza`),
	means(schema.Degraded, "noise", `noisy|rauscht|verrauscht|bruyant|souffle|rumoros[oa]`),
	means(schema.Degraded, "intermittent", `intermittent|wackelkontakt|sporadisch|intermittent[ei]|faux contact`),
	means(schema.Degraded, "dry-joint", `dry joint|cold joint|bad joint|kalte lotstelle|soudure seche|saldatura fredda`),
	means(schema.Degraded, "crack", `cracked|crack|gerissen|riss|fissure[es]?|fele|crepat[oa]`),
	means(schema.Degraded, "corrosion", `corroded|rusty|korrodiert|verrostet|oxyde[es]?|corrode|ossidat[oa]`),
	means(schema.Degraded, "wear", `worn(?: out)?|verschlissen|abgenutzt|use[es]?|consumat[oa]|usurat[oa]|versleten`),
	means(schema.Degraded, "loose", `loose|lose|locker|desserre|lent[oa]|los`),
	means(schema.Degraded, "hardened", `hard(?:ened)?|verhartet|durci`),
	means(schema.Degraded, "tacky", `sticky|tacky|klebrig|collant|appiccicos[oa]`),
	means(schema.Failed, "dead", `dead|tot|mort[es]?|mort[oa]`),
	means(schema.Failed, "", `failed|faulty|bad|broken|defective|defekt|kaputt|hs|defectueux|casse|mort|guast[oa]|rott[oa]|difettos[oa]|defect|stuk`),
	means(schema.Degraded, "", `weak|low|tired|poor|schwach|faible|debole|scars[oa]|zwak`),
	means(schema.OK, "", `ok|okay|o\.k\.|fine|good|i\.? ?o\.?|in ordnung|gut|bon|bonne|buon[oa]|bene|goed|tested(?: ok| good)?|gepruft`),
}

// findingOf reads a word for a finding.
func findingOf(text string) (f schema.Finding, m schema.Mode, guess, ok bool) {
	t := fold(text)
	for _, v := range verdicts {
		if v.words.MatchString(t) {
			return v.found, v.mode, v.guess, true
		}
	}
	word := strings.ReplaceAll(strings.TrimSpace(t), " ", "-")
	if slices.Contains(schema.Finding("").Words(), word) {
		return schema.Finding(word), "", false, true
	}
	if slices.Contains(schema.Mode("").Words(), word) {
		return schema.Failed, schema.Mode(word), false, true
	}
	return "", "", false, false
}

var deeds = []struct {
	words  *pattern.Pattern
	action schema.Action
}{
	{pattern.New(`not done|pending|to do|still to|on order|offen|noch nicht|ausstehend|a faire|en attente|pas fait|da fare|in attesa`), schema.Pending},
	{pattern.New(`left|kept|nothing|none|belassen|gelassen|nichts|laisse|rien|garde|lasciat|niente|gelaten`), schema.Left},
	{pattern.New(`replac|renew|changed|swapped|new one|ersetzt|getauscht|ausgetauscht|erneuert|gewechselt|remplac|change|sostituit|cambiat|vervangen`), schema.Replaced},
	{pattern.New(`clean|gereinigt|geputzt|nettoy|pulit|schoongemaakt`), schema.Cleaned},
	{pattern.New(`tuned|adjust|set|aligned|calibrat|gestimmt|eingestellt|abgeglichen|justiert|accorde|regle|accordat|regolat|tarat|gestemd|afgeregeld`), schema.Adjusted},
	{pattern.New(`resolder|rework|repair|mended|glued|nachgelotet|repariert|geklebt|ressoud|repare|recolle|risaldat|riparat|gerepareerd`), schema.Reworked},
	{pattern.New(`removed|taken out|entfernt|ausgebaut|enleve|retire|rimoss|tolt|verwijderd`), schema.Removed},
	{pattern.New(`fitted|added|installed|eingebaut|eingesetzt|monte|pose|ajoute|installe|montat|aggiunt|geplaatst`), schema.Fitted},
}

func actionOf(text string) (schema.Action, bool) {
	t := fold(text)
	for _, d := range deeds {
		if d.words.MatchString(t) {
			return d.action, true
		}
	}
	if slices.Contains(schema.Action("").Words(), strings.TrimSpace(t)) {
		return schema.Action(strings.TrimSpace(t)), true
	}
	return "", false
}

// verdictText and deedText are all the words of findings and deeds.
var verdictText, deedText []*pattern.Pattern

func init() {
	for _, v := range verdicts {
		verdictText = append(verdictText, v.words)
	}
	for _, d := range deeds {
		deedText = append(deedText, pattern.New(`\pL*(?:`+d.words.String()+`)\pL*`))
	}
}

// besides reports whether a text says more than the words that were understood.
func besides(words []*pattern.Pattern, text string) bool {
	t := " " + fold(text) + " "
	for _, w := range words {
		t = w.ReplaceAllString(t, " ")
	}
	t = filler.ReplaceAllString(t, " ")
	return strings.IndexFunc(t, func(r rune) bool { return r >= 'a' && r <= 'z' || r >= '0' && r <= '9' }) >= 0
}

var filler = pattern.New(`\b(?:en|yet|out|not|was|is|and|of|the|it|in|up|with|by|a|et|und|e|le|la|il|durch)\b`)

var (
	keyWords     = pattern.New(`^(?:keys?|tasten?|touches?|tast[io]|toets(?:en)?)(?: (?:nr?\.? ?)?(\d+)(?:\s*(?:-|to|bis|à|a)\s*(\d+))?)?$`)
	contactWords = pattern.New(`^(?:contacts?|kontakte?|contatt[io]) ?(\d+)(?:\s*(?:-|to|bis)\s*(\d+))?$`)
	refInWords   = pattern.New(`(?:^|\s)([A-Z]{1,4}\d{1,4}[A-Z]?)(?:$|[\s,.)])`)
)

// place reads the reference of a row of work, which people also write in words:
// Taste 17, Kontakt 2; Netzsicherung F1; touches.
func (r *workReader) place(unit, section, text string) (ref schema.Refs, odd string, ok bool) {
	if at := readRefs(text); len(at.refs) > 0 {
		if l, err := refs.Parse(text); err == nil {
			return schema.Refs(l.Text), "", true
		}
		return schema.Refs(refs.Compact(at.refs)), at.odd, true
	}
	parts := strings.FieldsFunc(fold(text), func(r rune) bool { return r == ',' || r == '/' })
	if len(parts) > 0 {
		if m := keyWords.FindStringSubmatch(strings.TrimSpace(parts[0])); m != nil {
			out := ""
			switch {
			case m[1] != "" && m[2] != "":
				out = "key:" + m[1] + "-" + m[2]
			case m[1] != "":
				out = "key:" + m[1]
			default:
				var keys []refs.Ref
				for _, p := range r.opt.Positions(unit, section) {
					if strings.HasPrefix(string(p), "key:") && !strings.Contains(string(p), "/") {
						keys = append(keys, p)
					}
				}
				if len(keys) == 0 {
					return "", "", false
				}
				out = refs.Compact(keys)
				odd = fmt.Sprintf("%q: all keys, %s", text, out)
			}
			if len(parts) == 2 {
				c := contactWords.FindStringSubmatch(strings.TrimSpace(parts[1]))
				if c == nil {
					return "", "", false
				}
				out += "/contact." + c[1]
				if c[2] != "" {
					out += "-" + c[2]
				}
			}
			return schema.Refs(out), odd, true
		}
	}
	if m := refInWords.FindStringSubmatch(text); m != nil {
		return schema.Refs(m[1]), "", true
	}
	return "", "", false
}

// lines turns a row into lines of a record. what says why it cannot.
func (r *workReader) lines(n int, row []string, unit string) (out []schema.PartLine, what, write string) {
	sectionText, refText := r.text(row, ColSection), r.text(row, ColRef)
	if sectionText == "" {
		return nil, "no section: " + quoted(shortRow(row)), "write where it is under " + r.headingOf(ColSection)
	}
	section, ok := r.section(unit, sectionText, refText)
	if !ok {
		return nil, fmt.Sprintf("the model has no section %q", sectionText), fmt.Sprintf("write one of: %s; or say what it means: --means %q", refs.CompactNames(r.opt.Sections(unit)), sectionText+"="+firstOr(r.opt.Sections(unit), "SECTION"))
	}
	if refText == "" {
		return nil, "no part: " + quoted(shortRow(row)), "write which part it was under " + r.headingOf(ColRef) + ": C14, C1-C12"
	}
	ref, odd, ok := r.place(unit, section, refText)
	if !ok {
		at := readRefs(refText)
		if at.write == "" {
			at.wrong, at.write = fmt.Sprintf("%q is no reference", refText), "write it like C14, C1-C12 or key:17"
		}
		return nil, at.wrong, at.write
	}
	if odd != "" {
		r.say(n, odd, "")
	}
	line := schema.PartLine{Section: schema.Names(section), Ref: ref, Note: r.text(row, ColNote)}
	note := func(s string) {
		if line.Note != "" {
			s = line.Note + "; " + s
		}
		line.Note = s
	}
	if t := r.text(row, ColFound); t != "" {
		found, mode, guess, ok := findingOf(t)
		switch {
		case !ok:
			note("found: " + t)
			r.say(n, fmt.Sprintf("%s: %q is no word the ledger has; it was kept as a note", r.headingOf(ColFound), t), "write failed, degraded, ok, untested or missing")
		case guess:
			r.say(n, fmt.Sprintf("%q taken as %s, %s", t, found, mode), "")
		}
		if rest := besides(verdictText, t); ok && rest {
			if qs, _ := quantities(t, r.s.Comma); mode == "wrong-part" && len(qs) == 1 && !qs[0].bare && qs[0].doubt == "" {
				d := describe(lettersOf.FindString(string(line.Ref)), t, "", "", "", "", "", r.s.Comma)
				line.Old = &schema.Component{Value: schema.Quantity(d.value), Rating: schema.Quantity(d.rating)}
				if *line.Old == (schema.Component{}) {
					line.Old = &schema.Component{Type: qs[0].text}
				}
				r.say(n, fmt.Sprintf("%s: the part found there was the wrong one, %s", line.Ref, qs[0].text), "")
			} else {
				note("found: " + t)
			}
		}
		line.Found = found
		if mode != "" {
			line.Mode = schema.Modes{mode}
		}
	}
	if t := r.text(row, ColAction); t != "" {
		action, ok := actionOf(t)
		if !ok {
			note("done: " + t)
			r.say(n, fmt.Sprintf("%s: %q is no word the ledger has; it was kept as a note", r.headingOf(ColAction), t), "write replaced, cleaned, adjusted, reworked, removed, fitted, left or pending")
		}
		if ok && besides(deedText, t) {
			note("done: " + t)
		}
		line.Action = action
	}
	if line.Found == "" && line.Action == "" {
		return nil, "neither what was found nor what was done can be told: " + quoted(shortRow(row)), "write failed, ok or untested under " + r.headingOf(ColFound) + ", or replaced, cleaned or left under " + r.headingOf(ColAction)
	}
	news := r.text(row, ColNew)
	list, err := refs.Parse(string(line.Ref))
	each := strings.Split(news, ";")
	if err == nil && len(each) > 1 && len(each) == len(list.Enumerate()) {
		for i, one := range list.Enumerate() {
			l := line
			l.Ref = schema.Refs(one)
			r.fitted(n, &l, strings.TrimSpace(each[i]), r.text(row, ColRating))
			out = append(out, l)
		}
		r.say(n, fmt.Sprintf("%d references and %d new parts: one each, in this order", len(each), len(each)), "")
		return out, "", ""
	}
	r.fitted(n, &line, news, r.text(row, ColRating))
	return []schema.PartLine{line}, "", ""
}

func firstOr(list []string, other string) string {
	if len(list) == 0 {
		return other
	}
	return list[0]
}

// fitted puts the new part of a row into its line.
func (r *workReader) fitted(n int, line *schema.PartLine, news, rating string) {
	if news == "" && rating == "" {
		return
	}
	if line.Action != schema.Replaced && line.Action != schema.Fitted {
		if news != "" {
			if line.Note != "" {
				news = line.Note + "; " + news
			}
			line.Note = news
		}
		return
	}
	letters := lettersOf.FindString(string(line.Ref))
	d := describe(letters, news, rating, "", "", "", "", r.s.Comma)
	c := schema.Component{Value: schema.Quantity(d.value), Rating: schema.Quantity(d.rating), Type: d.words}
	if d.family == "" {
		c.Type = news
	}
	for _, s := range d.said {
		if !strings.Contains(s.What, "the list does not say") && !strings.Contains(s.What, "mains fuse") {
			r.say(n, string(line.Ref)+": "+s.What, s.Write)
		}
	}
	r.compare(n, line, &c, letters, d)
	if c != (schema.Component{}) {
		line.New = &c
	}
}

// compare says where what was fitted is not what the model has.
func (r *workReader) compare(n int, line *schema.PartLine, c *schema.Component, letters string, d described) {
	if r.opt.Fitted == nil {
		return
	}
	sections, err1 := refs.ParseNames(string(line.Section))
	list, err2 := refs.Parse(string(line.Ref))
	if err1 != nil || err2 != nil || len(sections.Enumerate()) == 0 || len(list.Enumerate()) == 0 {
		return
	}
	has := r.opt.Fitted(r.unit, sections.Enumerate()[0], list.Enumerate()[0])
	if has.Family == "" {
		return
	}
	differ := c.Value != "" && has.Value != "" && !sameQuantities(c.Value, has.Value) || c.Rating != "" && has.Rating != "" && !sameQuantities(c.Rating, has.Rating)
	if differ {
		r.say(n, fmt.Sprintf("%s %s: %s fitted where the model has %s", line.Section, line.Ref, strings.Join(nonEmpty(string(c.Value), string(c.Rating)), " "), strings.Join(nonEmpty(string(has.Value), string(has.Rating)), " ")), "")
	}
	if d.sure && d.family != has.Family {
		c.Family = d.family
		return
	}
	if family, sure := familyOf(letters, line.Note, "", nil); sure && family != has.Family && line.Note != "" {
		r.say(n, fmt.Sprintf("%s %s: the note says %s, the model has %s; the new family was left open", line.Section, line.Ref, family, has.Family), "")
	}
}

// Late is the note of a record that was written down later.
func Late(today schema.Date, file string) string {
	return fmt.Sprintf("Entered late, on %s, from %s.", today, file)
}
