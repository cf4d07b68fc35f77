package schema

import (
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2/unstable"
)

// place is where a key or its value stands in a file.
type place struct{ offset, length int }

// Places finds keys and values in the source of a TOML file. The decoder
// keeps its positions to itself, so this second pass runs only where there is
// something to report.
type Places struct {
	data   []byte
	keys   map[string]place
	values map[string]place
}

// Locate parses data for the places of its keys. A file that does not parse
// yields the places up to the error.
func Locate(data []byte) *Places {
	l := &Places{data: data, keys: map[string]place{}, values: map[string]place{}}
	var p unstable.Parser
	p.Reset(data)
	prefix := ""
	arrays := map[string]int{} // array tables seen, by path without the last index
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			path, at := l.resolve(&p, e.Key(), arrays, "")
			if e.Kind == unstable.ArrayTable {
				n := arrays[path]
				arrays[path] = n + 1
				if n == 0 {
					l.keys[path] = at
				}
				path += "[" + strconv.Itoa(n) + "]"
			}
			l.keys[path] = at
			prefix = path
		case unstable.KeyValue:
			l.keyValue(&p, e, prefix, arrays)
		}
	}
	return l
}

// resolve turns a dotted key into a path, entering the last element of every
// array of tables on the way.
func (l *Places) resolve(p *unstable.Parser, keys unstable.Iterator, arrays map[string]int, prefix string) (string, place) {
	path := prefix
	var at place
	first := true
	for keys.Next() {
		if !first {
			if n := arrays[path]; n > 0 {
				path += "[" + strconv.Itoa(n-1) + "]"
			}
		}
		first = false
		n := keys.Node()
		path = join(path, string(n.Data))
		r := n.Raw
		if at.length == 0 {
			at.offset = int(r.Offset)
		}
		at.length = int(r.Offset+r.Length) - at.offset
	}
	return path, at
}

func (l *Places) keyValue(p *unstable.Parser, e *unstable.Node, prefix string, arrays map[string]int) {
	path, at := l.resolve(p, e.Key(), arrays, prefix)
	l.keys[path] = at
	l.value(p, e.Value(), path)
}

func (l *Places) value(p *unstable.Parser, v *unstable.Node, path string) {
	switch v.Kind {
	case unstable.InlineTable:
		it := v.Children()
		for it.Next() {
			l.keyValue(p, it.Node(), path, nil)
		}
	case unstable.Array:
		it := v.Children()
		for i := 0; it.Next(); i++ {
			el := path + "[" + strconv.Itoa(i) + "]"
			if _, ok := l.keys[el]; !ok {
				l.keys[el] = l.keys[path]
			}
			l.value(p, it.Node(), el)
		}
	}
	if v.Raw.Length > 0 {
		l.values[path] = place{int(v.Raw.Offset), int(v.Raw.Length)}
	}
}

// Place fills in line, column and source line of the problems of this file.
// A path that is not in the file (a missing key) is placed at its nearest
// parent that is.
func (l *Places) Place(ps []Problem) {
	for i := range ps {
		p := &ps[i]
		if p.Line > 0 || p.Path == "" {
			continue
		}
		for path := p.Path; path != ""; path = parent(path) {
			at, ok := l.keys[path]
			// The value itself, also where a list of one was written bare.
			if !p.atKey && strings.TrimSuffix(p.Path, "[0]") == strings.TrimSuffix(path, "[0]") {
				if v, has := l.values[path]; has {
					at, ok = v, true
				}
			}
			if ok {
				l.fill(p, at)
				break
			}
		}
	}
}

func (l *Places) fill(p *Problem, at place) {
	start := 0
	if i := strings.LastIndexByte(string(l.data[:at.offset]), '\n'); i >= 0 {
		start = i + 1
	}
	end := len(l.data)
	if i := strings.IndexByte(string(l.data[at.offset:]), '\n'); i >= 0 {
		end = at.offset + i
	}
	p.Line = 1 + strings.Count(string(l.data[:start]), "\n")
	p.Column = 1 + utf8.RuneCount(l.data[start:at.offset])
	p.Source = strings.TrimRight(string(l.data[start:end]), "\r")
	p.width = utf8.RuneCount(l.data[at.offset:min(at.offset+at.length, end)])
}

// join appends a key to a path.
func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// parent cuts the last key or index off a path.
func parent(path string) string {
	if strings.HasSuffix(path, "]") {
		return path[:strings.LastIndexByte(path, '[')]
	}
	i := strings.LastIndexByte(path, '.')
	if i < 0 {
		return ""
	}
	return path[:i]
}
