package partslist

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"

	"benchlore/schema"
	"benchlore/schema/pattern"
)

// What a column may hold.
const (
	ColRef     = "ref"
	ColValue   = "value"
	ColUnit    = "unit" // of the numbers under value
	ColRating  = "rating"
	ColDesc    = "description"
	ColSection = "section"
	ColBoard   = "board"
	ColCount   = "count"
	ColMaker   = "maker"
	ColNumber  = "part number"
	ColNote    = "note"
	ColNone    = "none" // prices, suppliers: not for a model

	// of finished work
	ColInstrument = "instrument"
	ColDay        = "date"
	ColFound      = "found"
	ColAction     = "action"
	ColNew        = "new value"
	ColHours      = "hours"
	ColPrice      = "price"
)

// PartColumns are the words for columns of a parts list, WorkColumns those for a
// list of finished work.
var (
	PartColumns = []string{ColRef, ColValue, ColUnit, ColRating, ColDesc, ColSection, ColBoard, ColCount, ColMaker, ColNumber, ColNote, ColNone}
	WorkColumns = []string{ColInstrument, ColDay, ColSection, ColRef, ColFound, ColAction, ColNew, ColRating, ColHours, ColPrice, ColNote, ColNone}
)

// columnWords are folded headings and what they mean, in a parts list.
var columnWords = map[string]string{}

// workWords are those that mean something else, or something at all, in a list of
// finished work.
var workWords = map[string]string{}

func init() {
	for key, words := range map[string]string{
		ColRef:     "ref|refs|reference|references|referenz|designator|designators|refdes|ref des|part id|part ref|circuit ref|circuit reference|schematic ref|pos|position|pos-nr|bauteil-nr|bez|bezeichner|kennung|repere|reperes|repere schema|reference schema|sigla|sigle|riferimento|rif|referencia|part|component ref|id|location|loc",
		ColValue:   "value|values|val|wert|werte|valeur|valeurs|valore|valori|valor|waarde|capacitance|resistance|component value",
		ColUnit:    "unit|units|einheit|unite|unita|unidad|eenheid",
		ColRating:  "rating|ratings|volts|volt|voltage|v|v/w|w/v|working voltage|wv|wvdc|watts|watt|power|spannung|leistung|spannung/leistung|tension|puissance|tension / puissance|tension/puissance|tensione|potenza|tensione/potenza|voltaje|tension nominal|spanning",
		ColDesc:    "description|descriptions|desc|descr|type|types|what|item|items|kind|component|comp|part type|bauteil|bauelement|bezeichnung|benennung|art|typ|beschreibung|designation|designations|composant|nature|libelle|componente|componenti|descrizione|tipo|descripcion|omschrijving|article|artikel",
		ColSection: "section|sections|where|assembly|unit name|area|baugruppe|gruppe|ensemble|sous-ensemble|sezione|gruppo|seccion|sectie|organe|module|modul|circuit block|stage",
		ColBoard:   "board|boards|pcb|platine|leiterplatte|print|karte|carte|plaque|circuit imprime|scheda|piastra|placa|printplaat|board no|pcb no",
		ColCount:   "qty|qty|quantity|quantities|how many|count|number off|no off|off|pcs|pieces|no|num|menge|anzahl|stuck|stk|stuckzahl|qte|quantite|nombre|nb|quantita|q.ta|qta|pezzi|cantidad|cant|aantal|n",
		ColMaker:   "maker|manufacturer|mfr|mfg|manuf|make|brand|hersteller|fabrikat|marke|fabricant|marque|produttore|marca|fabricante|fabrikant",
		ColNumber:  "part number|part no|part nr|partno|mfr part no|mfr part number|mpn|mfg part no|manufacturer part number|type number|type no|teilenummer|teile-nr|typ-nr|numero de piece|ref fabricant|codice",
		ColNote:    "note|notes|remark|remarks|comment|comments|bemerkung|bemerkungen|anmerkung|hinweis|notiz|remarque|remarques|observations|commentaire|nota|annotazioni|osservazioni|observaciones|opmerking",
		ColNone:    "price|prices|each|total|cost|unit price|preis|einzelpreis|gesamtpreis|prix|prix unitaire|prezzo|precio|prijs|supplier|vendor|lieferant|fournisseur|fornitore|proveedor|leverancier|order|order no|order code|order number|bestellnummer|bestell-nr|stock|stock no|lager|ordered|bestellt|commande|distributor|link|url|#",
	} {
		for _, w := range strings.Split(words, "|") {
			columnWords[w] = key
		}
	}
	for key, words := range map[string]string{
		ColInstrument: "instrument|unit|gerat|instrumente|appareil|instrumento|strumento|apparecchio|tag|serial|serial no|seriennummer|organ|apparaat|machine|customer unit",
		ColDay:        "date|day|when|datum|tag der arbeit|jour|quand|data|fecha|giorno",
		ColFound:      "found|finding|fault|condition|state|befund|fehler|zustand|constat|panne|etat|defaut|trovato|difetto|guasto|stato|hallazgo|defect|bevinding",
		ColAction:     "action|what i did|done|work|work done|did|arbeit|massnahme|ausgefuhrt|gemacht|travail|travaux|intervention|fait|lavoro|intervento|fatto|trabajo|werk|gedaan|repair",
		ColNew:        "new part|new|new value|fitted|replacement|replaced with|replaced by|neuer wert|neuteil|neues teil|ersatz|ersatzteil|neu|piece neuve|nouvelle valeur|nouveau|remplacement|ricambio|nuovo valore|nuovo|pezzo nuovo|repuesto|nieuw|value|wert|valeur|valore|part fitted",
		ColHours:      "hours|hrs|time|h|zeit|stunden|std|zeit (std.)|zeit (std)|arbeitszeit|heures|temps|duree|ore|tempo|horas|uren|time (h)|hours worked",
		ColPrice:      "price|prices|cost|parts cost|parts|material|preis|kosten|teile|prix|cout|pieces|prezzo|costo|precio|prijs|amount|betrag|montant|importo",
		ColRef:        "ref|refs|bauteil|part|position|pos|repere|component|composant|componente|sigla|reference|what",
		ColSection:    "section|board|baugruppe|platine|organe|assembly|where|sezione|scheda|module|modul|carte|platine",
		ColNone:       "total|invoice|rechnung|facture|fattura|#|supplier|lieferant|fournisseur",
	} {
		for _, w := range strings.Split(words, "|") {
			workWords[w] = key
		}
	}
	for w, key := range columnWords {
		if key == ColNote && workWords[w] == "" {
			workWords[w] = key
		}
	}
}

// longWords are the headings that slips are held against: of parts lists, and of
// finished work.
var longWords = map[bool]func() []string{
	false: sync.OnceValue(func() []string { return longOf(columnWords) }),
	true:  sync.OnceValue(func() []string { return longOf(workWords) }),
}

func isWorkWords(words map[string]string) bool { return words["what i did"] != "" }

func longOf(words map[string]string) []string {
	var all []string
	for w := range words {
		if len(w) >= 4 {
			all = append(all, w)
		}
	}
	slices.Sort(all)
	return all
}

var headingEdges = strings.NewReplacer("_", " ", "£", "", "€", "", "$", "")

// currencyIn is the money a column of prices is in: parts GBP, Preis (EUR).
var currencyIn = pattern.New(`[ ,]*[(\[]?\b(?:gbp|eur|euro|usd|chf|sfr|dm|dem|pounds)\b[)\]]?\s*$`)

// headingForm is a heading as the lists of words have it.
func headingForm(h string) string {
	h = currencyIn.ReplaceAllString(headingEdges.Replace(fold(h)), "")
	return strings.Trim(strings.Join(strings.Fields(h), " "), " .:*#")
}

// meaning is what a heading says its column holds; near allows for slips.
func meaning(words map[string]string, heading string, near bool) string {
	h := headingForm(heading)
	if h == "" || len(h) > 40 {
		return ""
	}
	if key := words[h]; key != "" {
		return key
	}
	if m := headingUnit.FindStringSubmatch(h); m != nil && words[m[1]] != "" {
		return words[m[1]]
	}
	if !near || len(h) < 4 || strings.ContainsAny(h, "0123456789") {
		return ""
	}
	return words[schema.Nearest(h, longWords[isWorkWords(words)]())]
}

var headingUnit = pattern.New(`^(.+?) ?[(\[].*[)\]]$`)

// A Column is what one column of a list was taken for.
type Column struct {
	At      int    `json:"column"`  // from 0
	Heading string `json:"heading"` // as written; "" without headings
	Is      string `json:"is"`
	From    string `json:"from"` // heading, contents, told, remembered
}

// Letter is the column as a spreadsheet names it.
func (c Column) Letter() string {
	name := ""
	for n := c.At + 1; n > 0; n = (n - 1) / 26 {
		name = string(rune('A'+(n-1)%26)) + name
	}
	return name
}

// A Layout is how a sheet's columns were taken.
type Layout struct {
	File, Sheet string
	Head        int      // row of the headings, from 1; 0: there are none
	Headings    []string // as written
	Columns     []Column
}

func (l *Layout) at(is string) int {
	for _, c := range l.Columns {
		if c.Is == is {
			return c.At
		}
	}
	return -1
}

// all are the columns of a sort.
func (l *Layout) all(is string) []int {
	var out []int
	for _, c := range l.Columns {
		if c.Is == is {
			out = append(out, c.At)
		}
	}
	return out
}

// maxHead is how many rows may stand above the headings.
const maxHead = 30

// findHead finds the row of headings: the one of the first rows that has the most
// headings known, and at least two. It is -1 where there is none.
func findHead(rows [][]string, words map[string]string) int {
	best, head := 1, -1
	for r, row := range rows[:min(len(rows), maxHead)] {
		exact, near := 0, 0
		keys := map[string]bool{}
		for _, c := range row {
			switch {
			case isRefs(c) && readRefs(c).wrong == "":
				exact -= 2
			case meaning(words, c, false) != "":
				exact++
				keys[meaning(words, c, false)] = true
			case meaning(words, c, true) != "":
				near++
				keys[meaning(words, c, true)] = true
			}
		}
		if n := 2*exact + near; exact > 0 && exact+near >= 2 && len(keys) >= 2 && n > best {
			best, head = n, r
		}
	}
	return head
}

// ColumnChoice says what a column holds, by its heading, letter or number.
type ColumnChoice struct{ Is, Heading string }

// ParseColumn reads ref=Designator.
func ParseColumn(text string, words []string) (ColumnChoice, error) {
	is, heading, ok := strings.Cut(text, "=")
	is = strings.ReplaceAll(strings.TrimSpace(strings.ToLower(is)), "_", " ")
	if !ok || strings.TrimSpace(heading) == "" {
		return ColumnChoice{}, fmt.Errorf("%q does not say what a column holds", text)
	}
	if !slices.Contains(words, is) {
		return ColumnChoice{}, fmt.Errorf("%q is nothing a column can hold", is)
	}
	return ColumnChoice{is, strings.TrimSpace(heading)}, nil
}

// column finds the column a choice means in a row of headings; -1 for none.
func (c ColumnChoice) column(heads []string, width int) int {
	want := headingForm(c.Heading)
	for i, h := range heads {
		if strings.EqualFold(strings.TrimSpace(h), c.Heading) || headingForm(h) == want && want != "" {
			return i
		}
	}
	if n, err := strconv.Atoi(c.Heading); err == nil && n >= 1 && n <= width {
		return n - 1
	}
	if len(c.Heading) <= 2 {
		for i := range width {
			if strings.EqualFold(Column{At: i}.Letter(), c.Heading) {
				return i
			}
		}
	}
	return -1
}

// layout works out what the columns of a sheet hold.
func layout(s *Sheet, words map[string]string, told, remembered []ColumnChoice) *Layout {
	l := &Layout{File: s.File, Sheet: s.Name}
	width := 0
	for _, row := range s.Rows {
		width = max(width, len(row))
	}
	head := findHead(s.Rows, words)
	if head < 0 {
		for r, row := range s.Rows[:min(len(s.Rows), maxHead)] {
			for _, c := range slices.Concat(told, remembered) {
				if _, err := strconv.Atoi(c.Heading); err != nil && len(c.Heading) > 2 && c.column(row, 0) >= 0 && head < 0 {
					head = r
				}
			}
		}
	}
	l.Head = head + 1
	if head >= 0 {
		l.Headings = s.Rows[head]
	}
	taken := map[int]bool{}
	take := func(at int, is, from string) {
		if at >= 0 && !taken[at] {
			taken[at] = true
			l.Columns = append(l.Columns, Column{At: at, Heading: cell(l.Headings, at), Is: is, From: from})
		}
	}
	for _, c := range told {
		take(c.column(l.Headings, width), c.Is, "told")
	}
	for _, c := range remembered {
		if at := c.column(l.Headings, width); l.at(c.Is) < 0 || c.Is == ColNone {
			take(at, c.Is, "remembered")
		}
	}
	body := s.Rows[head+1:]
	used := func(c int) bool {
		return slices.ContainsFunc(body, func(row []string) bool { return cell(row, c) != "" })
	}
	if head >= 0 {
		for c, h := range l.Headings {
			is := meaning(words, h, false)
			from := "heading"
			if is == "" {
				is = meaning(words, h, true)
			}
			if strings.TrimSpace(h) == "" || taken[c] {
				continue
			}
			if is == "" && used(c) {
				is, from = ColNone, "unknown"
			}
			if is == ColCount && !mostly(body, c, isCount) && used(c) {
				is = ColNumber // No. is a number of parts, or of an order
			}
			if l.at(is) >= 0 && is != ColNone && is != ColNote && is != ColDesc && is != ColPrice {
				if is == ColRef && refShare(body, c) > refShare(body, l.at(ColRef)) {
					l.retake(ColRef, ColDesc)
				} else if is == ColRef {
					is = ColDesc
				} else {
					is, from = ColNone, "again"
				}
			}
			if is != "" {
				take(c, is, from)
			}
		}
	}
	// What the cells hold decides which column the references are in.
	if best, share := bestRefs(body, width, l); share >= 0.6 && (l.at(ColRef) < 0 || refShare(body, l.at(ColRef)) < 0.3) && best >= 0 && !isTold(told, ColRef) {
		l.retake(ColRef, ColDesc)
		for i := range l.Columns {
			if l.Columns[i].At == best {
				l.Columns[i].Is, l.Columns[i].From = ColRef, "contents"
				taken[best] = true
			}
		}
		if !taken[best] {
			take(best, ColRef, "contents")
		}
	}
	if head < 0 {
		for c := range width {
			switch {
			case taken[c] || !used(c):
			case l.at(ColValue) < 0 && mostly(body, c, hasQuantity):
				take(c, ColValue, "contents")
			default:
				take(c, ColDesc, "contents")
			}
		}
	}
	if l.at(ColSection) < 0 && l.at(ColBoard) >= 0 {
		l.retake(ColBoard, ColSection) // the only column that says where
	}
	if !isWorkWords(words) && l.at(ColDesc) < 0 && l.at(ColUnit) >= 0 && l.at(ColValue) < 0 {
		l.retake(ColUnit, ColDesc)
	}
	slices.SortFunc(l.Columns, func(a, b Column) int { return a.At - b.At })
	return l
}

// rememberedOf is what was said before of a list with the headings of this one,
// whichever row they are in.
func rememberedOf(s *Sheet, ask func([]string) []ColumnChoice) []ColumnChoice {
	if ask == nil {
		return nil
	}
	for _, row := range s.Rows[:min(len(s.Rows), maxHead)] {
		if got := ask(row); got != nil && !blank(row) {
			return got
		}
	}
	return nil
}

func isTold(told []ColumnChoice, is string) bool {
	return slices.ContainsFunc(told, func(c ColumnChoice) bool { return c.Is == is })
}

func (l *Layout) retake(from, to string) {
	for i := range l.Columns {
		if l.Columns[i].Is == from {
			l.Columns[i].Is = to
			return
		}
	}
}

// refShare is how much of a column reads as references.
func refShare(rows [][]string, c int) float64 {
	n, of := 0, 0
	for _, row := range rows {
		if t := cell(row, c); t != "" {
			of++
			if got := readRefs(t); len(got.refs) > 0 || got.letter && got.wrong != "" {
				n++
			}
		}
	}
	if of == 0 {
		return 0
	}
	return float64(n) / float64(of)
}

func bestRefs(rows [][]string, width int, l *Layout) (at int, share float64) {
	at = -1
	for c := range width {
		is := ""
		for _, k := range l.Columns {
			if k.At == c {
				is = k.Is
			}
		}
		if is != "" && is != ColRef && is != ColDesc && is != ColNone && is != ColNumber {
			continue
		}
		if s := refShare(rows, c); s > share {
			at, share = c, s
		}
	}
	return at, share
}

func mostly(rows [][]string, c int, ok func(string) bool) bool {
	n, of := 0, 0
	for _, row := range rows {
		if t := cell(row, c); t != "" {
			of++
			if ok(t) {
				n++
			}
		}
	}
	return of > 0 && 2*n > of
}

var countForm = pattern.New(`(?i)^(\d{1,5})(?:[.,]0+)? ?(?:x|×|off|pcs?\.?|pieces?|st\.?|stk\.?|stück|pi[eè]ces?|pz\.?|pezzi|ea\.?)?$`)

func isCount(s string) bool { return countForm.MatchString(strings.TrimSpace(s)) }

// countOfCell reads 12, 12x and 6 pcs; 0 for none.
func countOfCell(s string) int {
	m := countForm.FindStringSubmatch(strings.TrimSpace(s))
	if m == nil {
		return 0
	}
	n, _ := strconv.Atoi(m[1])
	return n
}

func hasQuantity(s string) bool {
	q, _ := quantities(s, false)
	return len(q) > 0
}
