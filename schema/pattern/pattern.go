// Package pattern holds regular expressions that are compiled when they are first
// used. The program has more than a hundred, and compiling them took most of the
// time in which it starts, while a command uses a few.
package pattern

import (
	"os"
	"regexp"
	"strings"
	"sync"
)

// Pattern is a regular expression; its methods are those of [regexp.Regexp]. It may
// be used by several goroutines.
type Pattern struct {
	text string
	once sync.Once
	re   *regexp.Regexp
}

// New takes an expression. One that does not compile panics where it is first used;
// in tests at once, so that none gets past them.
func New(text string) *Pattern {
	p := &Pattern{text: text}
	if strings.HasSuffix(strings.TrimSuffix(os.Args[0], ".exe"), ".test") {
		p.compiled()
	}
	return p
}

func (p *Pattern) compiled() *regexp.Regexp {
	p.once.Do(func() { p.re = regexp.MustCompile(p.text) })
	return p.re
}

func (p *Pattern) MatchString(s string) bool { return p.compiled().MatchString(s) }

func (p *Pattern) FindString(s string) string { return p.compiled().FindString(s) }

func (p *Pattern) FindStringSubmatch(s string) []string { return p.compiled().FindStringSubmatch(s) }

func (p *Pattern) FindAllString(s string, n int) []string { return p.compiled().FindAllString(s, n) }

func (p *Pattern) FindAllStringIndex(s string, n int) [][]int {
	return p.compiled().FindAllStringIndex(s, n)
}

func (p *Pattern) FindAllStringSubmatch(s string, n int) [][]string {
	return p.compiled().FindAllStringSubmatch(s, n)
}

func (p *Pattern) FindAllStringSubmatchIndex(s string, n int) [][]int {
	return p.compiled().FindAllStringSubmatchIndex(s, n)
}

func (p *Pattern) ReplaceAllString(s, to string) string { return p.compiled().ReplaceAllString(s, to) }

func (p *Pattern) ReplaceAllLiteralString(s, to string) string {
	return p.compiled().ReplaceAllLiteralString(s, to)
}

func (p *Pattern) ReplaceAllStringFunc(s string, f func(string) string) string {
	return p.compiled().ReplaceAllStringFunc(s, f)
}

func (p *Pattern) FindIndex(b []byte) []int { return p.compiled().FindIndex(b) }

func (p *Pattern) FindSubmatch(b []byte) [][]byte { return p.compiled().FindSubmatch(b) }

func (p *Pattern) FindAll(b []byte, n int) [][]byte { return p.compiled().FindAll(b, n) }

func (p *Pattern) FindAllIndex(b []byte, n int) [][]int { return p.compiled().FindAllIndex(b, n) }

func (p *Pattern) FindAllSubmatch(b []byte, n int) [][][]byte {
	return p.compiled().FindAllSubmatch(b, n)
}

func (p *Pattern) FindAllSubmatchIndex(b []byte, n int) [][]int {
	return p.compiled().FindAllSubmatchIndex(b, n)
}

// String returns the expression.
func (p *Pattern) String() string { return p.text }

func (p *Pattern) FindStringSubmatchIndex(s string) []int {
	return p.compiled().FindStringSubmatchIndex(s)
}
