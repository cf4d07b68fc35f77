package disclosure

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"benchlore/schema/pattern"
)

// Person is what the shop alone knows of a customer.
type Person struct{ Name, Phone, Email, Address, Note string }

// Search knows what is looked for.
type Search struct {
	needles map[string][]needle // by the first word
	glued   []needle            // of writing without spaces between words
	phones  map[string]bool     // last digits of private numbers
	public  map[string]bool     // mail addresses and numbers that may travel
	people  int
}

// needle is a row of folded words.
type needle struct {
	words    []string
	what     string
	everyday bool // also a word of the bench: counts where it is written like a name
	short    bool // two letters: counts where it is written like a name
	public   bool // may travel, and what is inside it too
}

const (
	aName    = "a name from private/"
	anPlace  = "an address from private/"
	aNote    = "a note from private/"
	aNumber  = "a telephone number"
	aMail    = "a mail address"
	aPrice   = "a price"
	phoneEnd = 7 // digits that tell a private number, however its beginning is written
)

// NewSearch takes what is to be looked for, and texts that may travel although
// a name is in them, such as the shop's own.
func NewSearch(people []Person, public []string) *Search {
	s := &Search{needles: map[string][]needle{}, phones: map[string]bool{}, public: map[string]bool{}}
	for _, t := range public {
		if w := wordsOf(t); len(w) > 1 {
			s.put(needle{words: w, public: true})
		}
		for _, m := range mailForm.FindAllString(t, -1) {
			s.public[strings.ToLower(m)] = true
		}
		if d := lastDigits(t); d != "" {
			s.public[d] = true
		}
	}
	for _, p := range people {
		if strings.TrimSpace(p.Name+p.Phone+p.Email+p.Address+p.Note) != "" {
			s.people++
		}
		s.name(p.Name)
		s.address(p.Address)
		s.note(p.Note)
		if w := wordsOf(p.Email); len(w) > 1 {
			s.put(needle{words: w, what: aMail})
		}
		s.phone(p.Phone)
	}
	return s
}

// Blind reports whether there is nobody to look for.
func (s *Search) Blind() bool { return s.people == 0 }

func (s *Search) put(n needle) {
	for i, w := range n.words {
		n.words[i] = canonical(w)
	}
	for _, old := range s.needles[n.words[0]] {
		if equal(old.words, n.words) {
			return
		}
	}
	s.needles[n.words[0]] = append(s.needles[n.words[0]], n)
}

func equal(a, b []string) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// name adds a whole name, both ways round, and each part of it.
func (s *Search) name(name string) {
	words := wordsOf(name)
	if len(words) == 0 {
		return
	}
	if glued(name) {
		s.glued = append(s.glued, needle{words: []string{strings.Join(words, "")}, what: aName})
		for _, w := range words {
			if utf8.RuneCountInString(w) > 1 {
				s.glued = append(s.glued, needle{words: []string{w}, what: aName})
			}
		}
		return
	}
	if len(words) > 1 {
		s.put(needle{words: clone(words), what: aName})
		last := len(words) - 1
		s.put(needle{words: append([]string{words[last]}, words[:last]...), what: aName})
		// As people name files.
		s.put(needle{words: []string{strings.Join(words, "")}, what: aName})
		s.put(needle{words: []string{words[last] + strings.Join(words[:last], "")}, what: aName})
	}
	for _, w := range words {
		switch n := utf8.RuneCountInString(w); {
		case particles[w] || firms[w] || titles[w] || digitsOnly(w):
			if len(words) == 1 {
				s.put(needle{words: []string{w}, what: aName, everyday: true})
			}
		case n >= 3:
			for _, form := range formsOf(w) {
				s.put(needle{words: []string{form}, what: aName, everyday: everyday[form] || everyday[w]})
			}
		case n == 2:
			s.put(needle{words: []string{w}, what: aName, short: true})
		}
	}
}

// formsOf are a name, its plural and its genitive.
func formsOf(w string) []string {
	out := []string{w, w + "s"}
	switch w[len(w)-1] {
	case 's', 'x', 'z', 'h':
		out = append(out, w+"es", w+"ens")
	case 'y':
		out = append(out, w[:len(w)-1]+"ies")
	}
	return out
}

// address adds the lines of an address: with the number of the house and
// without, and places by themselves.
func (s *Search) address(address string) {
	for _, line := range strings.FieldsFunc(address, func(r rune) bool { return r == '\n' || r == ',' || r == ';' || r == '|' }) {
		words := wordsOf(line)
		if len(words) == 0 {
			continue
		}
		if glued(line) {
			s.glued = append(s.glued, needle{words: []string{strings.Join(words, "")}, what: anPlace})
			continue
		}
		if len(words) > 1 {
			for _, v := range streetForms(words) {
				s.put(needle{words: v, what: anPlace})
			}
		}
		var bare []string // without numbers
		street := false
		for _, w := range words {
			if !strings.ContainsFunc(w, unicode.IsDigit) {
				bare = append(bare, w)
			}
			street = street || streets[w]
		}
		if len(bare) > 1 {
			for _, v := range streetForms(bare) {
				s.put(needle{words: v, what: anPlace})
			}
		}
		for i := 0; i+1 < len(words); i++ {
			if postcode(words[i]) && postcode(words[i+1]) {
				s.put(needle{words: []string{words[i], words[i+1]}, what: anPlace})
			}
		}
		for _, w := range bare {
			if n := utf8.RuneCountInString(w); n >= 4 && !places[w] && !streets[w] && !particles[w] && (!street || len(bare) == 1 || streetEnd(w) != w) {
				for _, v := range streetForms([]string{w}) {
					s.put(needle{words: v, what: anPlace, everyday: everyday[w]})
				}
			}
		}
	}
}

// streetForms are the ways the word for a street is written.
func streetForms(words []string) [][]string {
	out := [][]string{clone(words)}
	for i, w := range words {
		var other []string
		switch w {
		case "street", "saint":
			other = []string{"st", "str"}
		case "st":
			other = []string{"street", "saint"}
		case "road":
			other = []string{"rd"}
		case "rd":
			other = []string{"road"}
		case "avenue":
			other = []string{"ave", "av"}
		case "strasse":
			other = []string{"str"}
		case "str":
			other = []string{"strasse", "street"}
		default:
			if stem := streetEnd(w); stem != w {
				other = []string{stem + "strasse", stem + "str", stem + "straat"}
			}
		}
		for _, o := range other {
			v := clone(words)
			v[i] = o
			out = append(out, v)
		}
	}
	return out
}

// streetEnd cuts the word for a street from the end of its name.
func streetEnd(w string) string {
	for _, end := range []string{"strasse", "straat", "str"} {
		if stem, ok := strings.CutSuffix(w, end); ok && len(stem) > 2 {
			return stem
		}
	}
	return w
}

func postcode(w string) bool {
	return len(w) <= 4 && strings.ContainsFunc(w, unicode.IsDigit) && strings.ContainsFunc(w, unicode.IsLetter)
}

// note adds the numbers and addresses of a remark, its clauses, and the names
// in it.
func (s *Search) note(note string) {
	if strings.TrimSpace(note) == "" {
		return
	}
	for _, m := range mailForm.FindAllString(note, -1) {
		s.put(needle{words: wordsOf(m), what: aMail})
	}
	for _, m := range digitRun.FindAllString(note, -1) {
		s.phone(m)
	}
	const row = 5 // words of a note that are no turn of speech any more
	for _, clause := range strings.FieldsFunc(note, func(r rune) bool { return strings.ContainsRune(".;,!?\n", r) }) {
		words := wordsOf(clause)
		if len(words) == row-1 {
			s.put(needle{words: words, what: aNote})
		}
		for i := 0; i+row <= len(words); i++ {
			s.put(needle{words: clone(words[i : i+row]), what: aNote})
		}
		// Words with a capital in the middle of a clause are names, where the
		// language does not give one to every noun.
		toks := tokens(clause, nil)
		german := false
		for _, t := range toks {
			german = german || germanWords[t.word]
		}
		for i, t := range toks {
			if i == 0 || !t.title || len(t.word) < 4 || everyday[t.word] || calendar[strings.TrimSuffix(t.word, "s")] || particles[t.word] || places[t.word] {
				continue
			}
			if !german {
				for _, form := range formsOf(t.word) {
					s.put(needle{words: []string{form}, what: aNote})
				}
			} else if p := toks[i-1]; p.title && i > 1 {
				s.put(needle{words: []string{p.word, t.word}, what: aNote})
			}
		}
	}
}

func (s *Search) phone(phone string) {
	if d := lastDigits(phone); d != "" {
		s.phones[d] = true
	}
}

// lastDigits are the last digits of a telephone number, "" where there are too
// few for one.
func lastDigits(s string) string {
	var d []byte
	for i := 0; i < len(s); i++ {
		if '0' <= s[i] && s[i] <= '9' {
			d = append(d, s[i])
		}
	}
	switch {
	case len(d) < 6:
		return ""
	case len(d) > phoneEnd:
		d = d[len(d)-phoneEnd:]
	}
	return string(d)
}

// hit is a place in a text.
type hit struct {
	start, end int
	what       string
}

// names finds what is from private/, the longest at each place.
func (s *Search) names(text string, m mode) []hit {
	var out []hit
	// A long text is read in stretches, each of which begins with the last words
	// of the one before.
	const stretch, again = 1 << 17, 512
	var toks []token
	for from := 0; from < len(text) && len(s.needles) > 0; {
		to := len(text)
		if to-from > stretch {
			to = from + stretch
			if i := strings.LastIndexAny(text[to-again:to], " \n"); i >= 0 {
				to += i + 1 - again
			}
		}
		part := text[from:to]
		toks = tokens(part, toks[:0])
		for i := 0; i < len(toks); {
			n, words := s.at(part, toks, i, m)
			if n == nil {
				out = append(out, shifted(s.inside(part, toks, i, m), from)...)
				i++
				continue
			}
			if !n.public {
				out = append(out, hit{from + toks[i].start, from + toks[i+words-1].end, n.what})
			}
			i += words
		}
		if to == len(text) {
			break
		}
		from = to - again
		for from < to && !utf8.RuneStart(text[from]) {
			from++
		}
	}
	for _, n := range s.glued {
		for at := 0; ; {
			i := strings.Index(text[at:], n.words[0])
			if i < 0 {
				break
			}
			out = append(out, hit{at + i, at + i + len(n.words[0]), n.what})
			at += i + len(n.words[0])
		}
	}
	return out
}

func shifted(hits []hit, by int) []hit {
	for i := range hits {
		hits[i].start += by
		hits[i].end += by
	}
	return hits
}

// at finds the longest needle that begins at a word, and how many words of the
// text it takes.
func (s *Search) at(text string, toks []token, i int, m mode) (*needle, int) {
	var best *needle
	words := 0
	list := s.needles[toks[i].word]
	for k := range list {
		n := &list[k]
		if len(n.words) <= words || i+len(n.words) > len(toks) || !n.here(text, toks, i, m) {
			continue
		}
		best, words = n, len(n.words)
	}
	// A word that is divided at the end of a line.
	if best == nil && i+1 < len(toks) && divided(text[toks[i].end:toks[i+1].start]) {
		list := s.needles[canonical(fold(text[toks[i].start:toks[i].end]+text[toks[i+1].start:toks[i+1].end]))]
		for k := range list {
			if n := &list[k]; len(n.words) == 1 && !n.everyday && !n.short && m != loose {
				return n, 2
			}
		}
	}
	return best, words
}

func divided(gap string) bool {
	rest, ok := strings.CutPrefix(gap, "-")
	if !ok {
		rest, ok = strings.CutPrefix(gap, "\u2010")
	}
	return ok && strings.Contains(rest, "\n") && strings.Trim(rest, " \t\r\n>#*") == ""
}

func (n *needle) here(text string, toks []token, i int, m mode) bool {
	letters := 0
	for k, w := range n.words {
		t := toks[i+k]
		letters += len(w)
		if k > 0 && t.start-toks[i+k-1].end > 40 {
			return false
		}
		if t.word != w && !(k == len(n.words)-1 && k > 0 && t.word == w+"s") {
			return false
		}
	}
	t := toks[i]
	switch {
	case m == loose:
		return letters >= 6 && !n.short && !n.everyday
	case n.short:
		// As a name is written, and no part of a compound such as Li-ion.
		return (t.title || m == nameOnly) && !beside(text, t)
	case n.everyday:
		return t.title && !t.first && !beside(text, t)
	}
	return true
}

// beside reports whether a word goes on with a hyphen, or is part of a number.
func beside(text string, t token) bool {
	if t.start > 0 && strings.IndexByte("-/+.", text[t.start-1]) >= 0 {
		return true
	}
	return t.end+1 < len(text) && strings.IndexByte("-/+", text[t.end]) >= 0 && text[t.end+1] != ' '
}

// inside looks for a name within a word of letters and digits, or of several
// capitals: brannock2031, OdileBrannock.
func (s *Search) inside(text string, toks []token, i int, m mode) []hit {
	t := toks[i]
	if !t.mixed || m == loose {
		return nil
	}
	var out []hit
	word := text[t.start:t.end]
	from := 0
	var last rune
	try := func(to int) {
		part := word[from:to]
		if utf8.RuneCountInString(part) < 4 || strings.ToUpper(part) == part {
			return // C14, and the letters of a part number
		}
		for _, n := range s.needles[canonical(fold(part))] {
			if len(n.words) == 1 && !n.everyday && !n.short && !n.public {
				out = append(out, hit{t.start + from, t.start + to, n.what})
				return
			}
		}
	}
	for at, r := range word {
		if at > 0 && (unicode.IsDigit(r) != unicode.IsDigit(last) || unicode.IsUpper(r) && unicode.IsLower(last)) {
			try(at)
			from = at
		}
		last = r
	}
	try(len(word))
	return out
}

// token is a word of a text.
type token struct {
	start, end int
	word       string // folded
	title      bool   // a capital and small letters
	mixed      bool   // digits in it, or a capital after a small letter
	first      bool   // begins a sentence or what stands in quotes
}

const maxWord = 120 // bytes; what is longer is no word

// tokens parts a text into words of letters and digits.
func tokens(text string, out []token) []token {
	sentence := true
	for i := 0; i < len(text); {
		r, n := rune(text[i]), 1
		if r >= utf8.RuneSelf {
			r, n = utf8.DecodeRuneInString(text[i:])
		}
		if !wordRune(r) {
			switch r {
			case '.', '!', '?', ':', ';', '"', '\'', '“', '„', '«', '\n', '(', '#', '=':
				sentence = true
			}
			i += n
			continue
		}
		t := token{start: i, first: sentence}
		ascii, upper, lower, digits, letters, inner := true, 0, 0, 0, 0, false
		for i < len(text) {
			r, n = rune(text[i]), 1
			if r >= utf8.RuneSelf {
				r, n = utf8.DecodeRuneInString(text[i:])
				ascii = false
			}
			if !wordRune(r) {
				break
			}
			switch {
			case 'a' <= r && r <= 'z' || r >= utf8.RuneSelf && unicode.IsLower(r):
				lower++
				letters++
			case 'A' <= r && r <= 'Z' || r >= utf8.RuneSelf && unicode.IsUpper(r):
				inner = inner || lower > 0
				if letters == 0 {
					t.title = true
				} else if upper > 0 {
					t.title = false
				}
				upper++
				letters++
			case unicode.IsDigit(r):
				digits++
			}
			i += n
		}
		t.end = i
		t.title = t.title && lower > 0
		t.mixed = digits > 0 && letters > 0 || inner
		if t.end-t.start <= maxWord {
			if word := text[t.start:t.end]; ascii && upper == 0 {
				t.word = canonical(word)
			} else {
				t.word = canonical(fold(word))
			}
			if t.word != "" {
				out = append(out, t)
			}
		}
		sentence = false
	}
	return out
}

// wordRune is a letter, a digit, a mark on a letter, or what is not seen within
// a word, such as a soft hyphen.
func wordRune(r rune) bool {
	if r < utf8.RuneSelf {
		return 'a' <= r && r <= 'z' || 'A' <= r && r <= 'Z' || '0' <= r && r <= '9'
	}
	return r != utf8.RuneError && (unicode.IsLetter(r) || unicode.IsDigit(r) || unicode.IsMark(r) || unicode.Is(unicode.Cf, r))
}

// Fold writes a text in small letters without accents (Unicode NFKD).
func Fold(s string) string { return fold(s) }

func fold(s string) string {
	ascii := true
	for i := 0; i < len(s); i++ {
		ascii = ascii && s[i] < utf8.RuneSelf
	}
	if ascii {
		return strings.ToLower(s)
	}
	var b strings.Builder
	for _, r := range norm.NFKD.String(s) {
		switch {
		case unicode.Is(unicode.Mn, r), unicode.Is(unicode.Cf, r):
		default:
			r = unicode.ToLower(r)
			if t, ok := letters[r]; ok {
				b.WriteString(t)
			} else {
				b.WriteRune(r)
			}
		}
	}
	return b.String()
}

// letters are those that Unicode does not take apart.
var letters = map[rune]string{'ß': "ss", 'æ': "ae", 'œ': "oe", 'ø': "o", 'ł': "l", 'đ': "d", 'ð': "d", 'þ': "th", 'ı': "i", 'ħ': "h", 'ŧ': "t", 'ŋ': "n"}

// canonical writes umlauts that were written with an e as those that were
// written with dots are folded: Mueller and Müller are one name.
func canonical(w string) string {
	if len(w) < 5 || !strings.Contains(w, "ue") && !strings.Contains(w, "oe") && !strings.Contains(w, "ae") && !strings.Contains(w, "aa") {
		return w
	}
	b := make([]byte, 0, len(w))
	for i := 0; i < len(w); i++ {
		if c := w[i]; i > 0 && (c == 'e' && strings.IndexByte("uoa", w[i-1]) >= 0 || c == 'a' && w[i-1] == 'a') {
			continue
		}
		b = append(b, w[i])
	}
	return string(b)
}

// wordsOf are the folded words of a text.
func wordsOf(s string) []string {
	var out []string
	for _, f := range strings.FieldsFunc(s, func(r rune) bool { return !wordRune(r) }) {
		if w := fold(f); w != "" {
			out = append(out, w)
		}
	}
	return out
}

// glued reports whether a text is in a writing without spaces between words.
func glued(s string) bool {
	return strings.ContainsFunc(s, func(r rune) bool {
		return unicode.In(r, unicode.Han, unicode.Hiragana, unicode.Katakana, unicode.Hangul, unicode.Thai)
	})
}

func digitsOnly(w string) bool {
	return !strings.ContainsFunc(w, func(r rune) bool { return !unicode.IsDigit(r) })
}

func clone(w []string) []string { return append([]string(nil), w...) }

func set(words string) map[string]bool {
	out := map[string]bool{}
	for _, w := range strings.Fields(words) {
		out[w] = true
	}
	return out
}

// Words that tell nobody by themselves. A whole name or a whole line of an
// address with them in it is looked for all the same.
var (
	particles = set(`a af al am an and auf av aus bei da dal dalla dall das de degli dei del della dem den der des di die do dos du e el
		en et i ibn im in la las le les lo los of op sen ten ter te the und van vd vom von vor y zu zum zur`)
	titles = set(`mr mrs ms miss mx dr prof professor herr frau herrn mme mlle monsieur madame sir dame lady lord jr sr junior senior phd
		dipl ing rev father sister brother`)
	firms = set(`ag bv co cie company corp gbr gmbh inc kg limited llc llp ltd mbh ohg oy plc sa sarl sons brothers bros srl spa ug ev
		music sound sounds audio studio studios studio's records recording recordings productions shop store school church college
		university museum theatre theater orchestra band ensemble society club centre center institute workshop hire rental
		musik tonstudio verein schule kirche hochschule`)
	streets = set(`street st str strasse straat road rd lane avenue ave av way drive court crescent terrace row mews gardens close walk quay
		weg platz allee gasse ring damm ufer rue via viale piazza calle plaza boulevard laan plein gade vej gatan`)
	places = set(`north south east west upper lower old new great little house flat apartment apt floor unit suite building block box post
		office park hill square place green bridge station town city county village farm mill hall
		germany deutschland england scotland wales ireland britain kingdom united france italy italia spain austria osterreich
		switzerland schweiz netherlands nederland belgium denmark sweden norway poland states america canada australia usa`)
	calendar = set(`january february march april may june july august september october november december
		monday tuesday wednesday thursday friday saturday sunday christmas easter
		januar februar marz mai juni juli oktober dezember montag dienstag mittwoch donnerstag freitag samstag sonntag`)
	germanWords = set(`der die das und ist nicht mit ein eine im am zu zur vom hat wird will bei fur auf`)
	// everyday are names that are also words of the bench and of every day.
	everyday = set(`amber ash back baker ball band bank bar barber base bass bell berry best birch bird black blank block blue board bolt bond
		book bow box branch brass braun bridge bright brown brook brush buck bull burn bush butler cable can cane card carpenter carter case
		cash chance chapman charge chase church clay clear close cole cook cooper cope cotton cover cross crown curry cutter dale dean dial
		drake draper drew drive dry early east edge english farmer field fine fisher flint flood ford forest foster fox frank franklin free french
		frost fuller fuse gain gale garland gates gay gem glass gold golden good gordon gray green grey grove guy hall hand hardy harp hart
		hawk hay head heath henry hill holder holz hood hook hope horn house hunt ivory jack jade joy judge key keys kind king knight lake lamb
		lane lang large laser lead lee light lightfoot link little lock long love low major mark marks mars marsh martin mason may mayer
		meister mercury mild miles mill miller mills mode moon moore more moss mute nail neumann new newton nick noble north oak olive owen
		packer page park parker part parts patch paul penny piper pitt pole pond poole pope porter post potter pound power price prime prince
		rail rain ray read reed reeves rich ring rivers rob robin rod rose ross royal rust sage sand sands sawyer schwarz sharp shaft shell
		short silver singer slater smart smith snow south spark speed spring stein steel stern stock stone stones street strong summer swan swift
		tanner taylor teller thorn tin tone tower trace turner vale vane violet volt wade wagner wall waller walker ward warm water waters watt
		watts way weaver weber webb weiss well wells west wheeler white wild will winter wise wolf wood woods wren wright yellow young
		grace dawn faith iris ruby pearl heather ivy lily daisy poppy hazel bill art gene grant pat rich sandy skip ted tony victor wade drew
		klein gross kurz lange schwarz roth koch vogel fuchs berg bach hahn krug kraft richter schneider winkel zimmer`)
)

var digitRun = pattern.New(`\+?\(?[0-9][0-9 ()/.-]{4,}[0-9]`)
