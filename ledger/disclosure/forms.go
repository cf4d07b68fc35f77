package disclosure

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"benchlore/schema/pattern"
)

const (
	gap    = `[ \x{a0}\x{202f}]?`
	amount = `[0-9]+(?:[.,'’ \x{a0}\x{202f}][0-9]{3}\b)*(?:[.,][0-9]{1,2}\b)?`
	codes  = `(?i:EUR|USD|GBP|CHF|TEUR)|JPY|SEK|NOK|DKK|PLN|CZK|HUF|CAD|AUD|NZD|CNY`
	coins  = `(?i:euros?|dollars?|pounds?|quid|sterling|francs?|franken|yen|kronen|kroner|kronor|zloty|bucks)`
)

var (
	mailForm = pattern.New(`[\p{L}0-9._%+-]+@[\p{L}0-9-]+(\.[\p{L}0-9-]+)+`)

	// Prices: with a sign, code or word before or behind, with a dash for the
	// pence, and behind a word that says that money was meant.
	priceForms = []*pattern.Pattern{
		pattern.New(`(?:(?:US)?\$|[€£¥]|\bSFr\.?|\b(?:` + codes + `)\b[.:]?|\b(?:EUR|USD|GBP|CHF))` + gap + amount + `(?:[.,][-–—]{1,2})?`),
		pattern.New(`\b` + amount + `(?:[.,][-–—]{1,2})?` + gap + `(?:[€£¥$]|zł|Kč|(?:k|T)€|(?:` + codes + `|` + coins + `)\b)`),
		pattern.New(`\b[0-9]+(?:[.,' \x{a0}][0-9]{3})*[.,][-–—]{1,2}`),
		pattern.New(`(?i:\b(?:paid|pays|quoted|invoiced|billed|price|priced at|preis|bezahlt|rechnung über)\b)(?: (?:of|is|was|him|her|them|von|at))?:? ?` + amount),
	}

	phoneForms = []*pattern.Pattern{
		pattern.New(`\+[1-9][0-9]{0,2}(?:[ /-]?\(?[0-9]\)?){6,13}\b`),
		pattern.New(`\+[1-9][0-9]{0,2}(?:\.[0-9]{2,4}){3,5}\b`),
		pattern.New(`\b00[1-9][0-9]{1,2}[ /-](?:[0-9][ /-]?){6,11}[0-9]\b`),
		pattern.New(`(?:\b0[1-9][0-9]{1,4} ?[ /-] ?|\(0[1-9][0-9]{1,4}\) ?)[0-9]{2,}(?:[ -][0-9]{2,}){0,5}\b`),
		pattern.New(`\b0[1-9](?:[ .][0-9]{2}){4}\b`),
		pattern.New(`\b0[1-9][0-9]{8,10}\b`),
		pattern.New(`(?:\([2-9][0-9]{2}\) ?|\b[2-9][0-9]{2}[.-])[2-9][0-9]{2}[ .-][0-9]{4}\b`),
	}
	// calledForm is a number that is said to be one to call.
	calledForm = pattern.New(`(?i)\b(?:tel|telefon|telephone|phone|fon|mobile|mobil|handy|fax|whatsapp)\b[^0-9+\n]{0,12}(\+?\(?[0-9][0-9 ()/.-]{4,}[0-9])`)
	// serialBefore stands before a number that is none to call.
	serialBefore = pattern.New(`(?i)(?:serial|\bs/?n\b|part|\bp/?n\b|\btype|\blot\b|date.?code|plate|chassis|order|stock|\bcode\b|\bart\b|\bno\.|\bnr\.|\bIC[0-9]+|board|marked|marking|stamped|checksum|address|offset|dump)[^0-9\n]{0,12}[A-Za-z]{0,6}$`)
	calledBefore = pattern.New(`(?i)\b(?:tel|telefon|telephone|phone|fon|mobile|mobil|handy|fax|whatsapp|call|ring)\b[^\n]{0,20}$`)
	hours        = pattern.New(`^[0-2][0-9][0-5][0-9] ?- ?[0-2][0-9][0-5][0-9]$`)
	isoDate      = pattern.New(`^[0-9]{4}-[0-9]{2}-[0-9]{2}`)
	weighed      = pattern.New(`(?i)(?:weigh|weight|force|load|pull|tension|lift|push)[^\n.]{0,40}$`)
	// numberForm is what looks like a number to call and is none: identities
	// and digests.
	numberForm = pattern.New(`\b[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}\b|\b[0-9a-f]{64}\b|\b[0-9a-f]{40}\b`)
)

// measures are units that make a bare number a reading.
var measures = set(`v mv kv uv a ma ua w mw kw va ohm ohms k m r kohm mohm f uf nf pf mf h mh uh hz khz mhz ghz s ms us min mm cm m in inch
	inches c k db dbu dbv dbm bit bits b kb mb rpm pa bar n nm g kg lb lbs x times turns steps pcs days weeks months hours years
	% ° µf µa µv µs µh ω kω mω`)

// MailIn is the first mail address in a text, "" where there is none.
func MailIn(text string) string { return mailForm.FindString(text) }

// maxNumbers are looked at in one file.
const maxNumbers = 50_000

// forms finds mail addresses, telephone numbers and prices. left is how many
// numbers are still to be looked at.
func (s *Search) forms(text string, left *int) []hit {
	var out []hit
	for at := 0; at < len(text) && *left > 0; {
		to := len(text)
		if i := strings.IndexByte(text[at:], '\n'); i >= 0 {
			to = at + i
		}
		line := text[at:to]
		// A line without an end is no text to read in one go.
		for len(line) > 0 && *left > 0 {
			part := line
			if len(part) > 1<<16 {
				part = part[:1<<16]
			}
			out = s.line(out, part, at, left)
			at += len(part)
			line = line[len(part):]
		}
		at = to + 1
	}
	return out
}

func (s *Search) line(out []hit, line string, at int, left *int) []hit {
	digits, first := 0, len(out)
	mail := false
	for i := 0; i < len(line); i++ {
		if '0' <= line[i] && line[i] <= '9' {
			digits++
		}
		mail = mail || line[i] == '@'
	}
	if mail {
		for _, m := range mailForm.FindAllStringIndex(line, -1) {
			if !s.public[strings.ToLower(line[m[0]:m[1]])] {
				out = append(out, hit{at + m[0], at + m[1], aMail})
			}
		}
	}
	if digits < 2 {
		return out
	}
	if digits >= 32 {
		line = numberForm.ReplaceAllStringFunc(line, func(m string) string { return strings.Repeat("_", len(m)) })
	}
	var taken []bool // what is part of a finding already
	take := func(from, to int) bool {
		if taken == nil {
			taken = make([]bool, len(line))
		}
		if taken[from] || taken[to-1] {
			return false
		}
		for i := from; i < to; i++ {
			taken[i] = true
		}
		return true
	}
	for _, h := range out[first:] {
		take(h.start-at, h.end-at)
	}
	add := func(from, to int, what string) {
		if take(from, to) {
			out = append(out, hit{at + from, at + to, what})
		}
	}
	if digits >= 6 {
		if len(s.phones) > 0 {
			for _, m := range digitRun.FindAllStringIndex(line, -1) {
				if d := lastDigits(line[m[0]:m[1]]); s.phones[d] {
					add(m[0], m[1], aNumber)
				}
			}
		}
		for _, m := range calledForm.FindAllStringSubmatchIndex(line, -1) {
			if n := line[m[2]:m[3]]; !isoDate.MatchString(n) && !s.public[lastDigits(n)] && lastDigits(n) != "" {
				add(m[2], m[3], aNumber)
			}
		}
		for i, form := range phoneForms {
			for _, m := range form.FindAllStringIndex(line, -1) {
				if *left--; *left <= 0 {
					return out
				}
				if s.callable(line, m[0], m[1], i < 3) {
					add(m[0], m[1], aNumber)
				}
			}
		}
	}
	for i, form := range priceForms {
		for _, m := range form.FindAllStringIndex(line, -1) {
			if *left--; *left <= 0 {
				return out
			}
			if priced(line, m[0], m[1], i) {
				add(m[0], m[1], aPrice)
			}
		}
	}
	return out
}

// callable reports whether what looks like a telephone number is one.
func (s *Search) callable(line string, from, to int, abroad bool) bool {
	number := line[from:to]
	if s.public[lastDigits(number)] {
		return false
	}
	digits := 0
	for i := 0; i < len(number); i++ {
		if '0' <= number[i] && number[i] <= '9' {
			digits++
		}
	}
	if digits < 8 || digits > 15 {
		return false
	}
	before := line[max(0, from-40):from]
	if calledBefore.MatchString(before) {
		return true
	}
	if from > 0 && strings.IndexByte("-./_,", line[from-1]) >= 0 || to < len(line) && strings.IndexByte("-_", line[to]) >= 0 {
		return false
	}
	if r, _ := utf8.DecodeLastRuneInString(line[:from]); r != utf8.RuneError && (unicode.IsLetter(r) || unicode.IsDigit(r)) {
		return false
	}
	if measures[strings.ToLower(nextWord(line[to:]))] || hours.MatchString(number) {
		return false
	}
	return abroad || !serialBefore.MatchString(before)
}

// priced reports whether what looks like a price is one.
func priced(line string, from, to, form int) bool {
	if from > 0 && strings.IndexByte(".,", line[from-1]) >= 0 && from > 1 && '0' <= line[from-2] && line[from-2] <= '9' {
		return false // the end of a longer number
	}
	switch form {
	case 0:
		// $A$1, A$1 and $1:$1 are cells of a sheet.
		if line[from] == '$' && (from > 0 && (strings.IndexByte("!:$", line[from-1]) >= 0 || wordRune(rune(line[from-1]))) || to < len(line) && (line[to] == ':' && to+1 < len(line) && line[to+1] == '$')) {
			return false
		}
	case 1:
		if line[to-1] == '$' && to < len(line) && (line[to] == '$' || line[to] == '_' || wordRune(rune(line[to]))) {
			return false // a version of a program
		}
		low := strings.ToLower(line[from:to])
		if strings.Contains(low, "pound") {
			return !weighed.MatchString(line[max(0, from-60):from]) && nextWord(line[to:]) != "of" && nextWord(line[to:]) != "per"
		}
	case 2:
		// 450,- and no list such as 15,-15.
		digits := 0
		for i := from; i < to; i++ {
			if '0' <= line[i] && line[i] <= '9' {
				digits++
			}
		}
		r, _ := utf8.DecodeRuneInString(line[to:])
		after := to < len(line) && (unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune("+-.−", r))
		return digits >= 2 && !after && (from == 0 || !strings.ContainsRune("+-", rune(line[from-1])))
	case 3:
		// A reading, a day, a part number.
		next := nextWord(line[to:])
		if measures[strings.ToLower(next)] || to < len(line) && strings.IndexByte("-/:%", line[to]) >= 0 || from > 0 && line[from-1] == '_' {
			return false
		}
		last := to
		for last > from && ('0' <= line[last-1] && line[last-1] <= '9') {
			last--
		}
		return to-last >= 2
	}
	return true
}

// nextWord is the word that follows, or the sign.
func nextWord(s string) string {
	s = strings.TrimLeft(s, " \u00a0\u202f")
	end := 0
	for i, r := range s {
		if !unicode.IsLetter(r) && (i > 0 || r != '%' && r != '°') {
			break
		}
		end = i + utf8.RuneLen(r)
	}
	return s[:end]
}
