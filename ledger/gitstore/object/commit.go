package object

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Ident is a person and a moment, as a commit or a tag names them.
type Ident struct {
	Name, Email string
	When        time.Time
}

// Commit is a commit read from its bytes.
type Commit struct {
	Hash              Hash
	Tree              Hash
	Parents           []Hash
	Author, Committer Ident
	Message           string
	Signature         string // the armoured signature; "" for none
	Payload           []byte // what the signature is over: the bytes without the gpgsig headers
}

// Tag is an annotated tag read from its bytes.
type Tag struct {
	Hash    Hash
	Target  Hash
	Type    Type // of Target
	Name    string
	Tagger  Ident  // zero in some very old tags
	Message string // with the signature, if there is one, at its end
}

// ParseCommit reads a commit as git does: the tree first, then the parents, the
// author and the committer; header lines that it does not know are passed over.
// The error says what is wrong in the commit.
func ParseCommit(data []byte) (*Commit, error) {
	c := &Commit{Hash: Sum(TypeCommit, data)}
	h := headers{rest: data}
	var err error
	if c.Tree, err = h.hash("tree"); err != nil {
		return nil, err
	}
	for h.next("parent") {
		p, err := h.hash("parent")
		if err != nil {
			return nil, err
		}
		c.Parents = append(c.Parents, p)
	}
	if c.Author, err = h.ident("author"); err != nil {
		return nil, err
	}
	if c.Committer, err = h.ident("committer"); err != nil {
		return nil, err
	}
	c.Payload = data
	signed := false
	var payload []byte // made when the first signature comes
	for !h.done() {
		from := len(data) - len(h.rest)
		name, value := h.header()
		if name != "gpgsig" && name != "gpgsig-sha256" {
			if signed {
				payload = append(payload, data[from:len(data)-len(h.rest)]...)
			}
			continue
		}
		if name == "gpgsig" && c.Signature == "" {
			c.Signature = value + "\n"
		}
		if !signed {
			signed, payload = true, append(make([]byte, 0, len(data)), data[:from]...)
		}
	}
	if signed {
		c.Payload = append(payload, h.rest...)
	}
	c.Message = h.message()
	return c, nil
}

// ParseTag reads an annotated tag. The error says what is wrong in the tag.
func ParseTag(data []byte) (*Tag, error) {
	t := &Tag{Hash: Sum(TypeTag, data)}
	h := headers{rest: data}
	var err error
	if t.Target, err = h.hash("object"); err != nil {
		return nil, err
	}
	kind, err := h.line("type")
	if err != nil {
		return nil, err
	}
	var ok bool
	if t.Type, ok = ParseType(kind); !ok {
		return nil, fmt.Errorf("the type %.20q is unknown", kind)
	}
	if t.Name, err = h.line("tag"); err != nil {
		return nil, err
	}
	if h.next("tagger") {
		if t.Tagger, err = h.ident("tagger"); err != nil {
			return nil, err
		}
	}
	for !h.done() {
		h.header()
	}
	t.Message = h.message()
	return t, nil
}

// headers reads the lines before the message.
type headers struct{ rest []byte }

// next reports whether the next line is a header of that name.
func (h *headers) next(name string) bool {
	rest, ok := bytes.CutPrefix(h.rest, []byte(name))
	return ok && len(rest) > 0 && rest[0] == ' '
}

// done reports whether the headers are over.
func (h *headers) done() bool { return len(h.rest) == 0 || h.rest[0] == '\n' }

// header takes the next header and the lines that continue it, which begin with
// a space.
func (h *headers) header() (name, value string) {
	line, rest, _ := bytes.Cut(h.rest, []byte("\n"))
	name, value, _ = strings.Cut(string(line), " ")
	for len(rest) > 0 && rest[0] == ' ' {
		line, rest, _ = bytes.Cut(rest[1:], []byte("\n"))
		value += "\n" + string(line)
	}
	h.rest = rest
	return name, value
}

// message is what follows the empty line after the headers.
func (h *headers) message() string {
	return string(bytes.TrimPrefix(h.rest, []byte("\n")))
}

func (h *headers) line(name string) (string, error) {
	if !h.next(name) {
		return "", fmt.Errorf("it has no %s line where one belongs", name)
	}
	_, value := h.header()
	return value, nil
}

func (h *headers) hash(name string) (Hash, error) {
	value, err := h.line(name)
	if err == nil && !IsHash(value) {
		err = fmt.Errorf("its %s line has %.60q in place of 40 hexadecimal digits", name, value)
	}
	return NewHash(value), err
}

func (h *headers) ident(name string) (Ident, error) {
	value, err := h.line(name)
	if err != nil {
		return Ident{}, err
	}
	id, err := parseIdent(value)
	if err != nil {
		err = fmt.Errorf("its %s line %w", name, err)
	}
	return id, err
}

// parseIdent reads `Name <address> seconds zone`. As in git, seconds and zone may
// be missing or damaged: the moment is then zero.
func parseIdent(s string) (Ident, error) {
	open, end := strings.IndexByte(s, '<'), strings.LastIndexByte(s, '>')
	if open < 0 || end < open {
		return Ident{}, errors.New("has no address between < and >")
	}
	id := Ident{Name: strings.TrimSpace(s[:open]), Email: s[open+1 : end]}
	seconds, zone, _ := strings.Cut(strings.TrimSpace(s[end+1:]), " ")
	n, err := strconv.ParseInt(seconds, 10, 64)
	if err != nil {
		return id, nil
	}
	id.When = time.Unix(n, 0).In(parseZone(zone))
	return id, nil
}

// parseZone reads +0130; anything else is UTC.
func parseZone(s string) *time.Location {
	n, err := strconv.Atoi(s)
	if err != nil || len(s) != 5 || n%100 > 59 || n%100 < -59 {
		return time.UTC
	}
	return time.FixedZone("", (n/100)*3600+(n%100)*60)
}
