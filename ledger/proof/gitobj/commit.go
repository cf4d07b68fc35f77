package gitobj

import (
	"bytes"
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore/object"
	"benchlore/schema/pattern"
)

// Commit is a commit read from its bytes, nothing left out.
type Commit struct {
	Tree      object.Hash
	Parents   []object.Hash
	Author    string    // "Name <address>"
	Authored  time.Time // in the zone it was written in
	Committer string
	Committed time.Time
	Message   string

	payload []byte // what is signed
	sig     []byte // armored; empty where there is none
	checked bool
	key     ssh.PublicKey
	flaw    error
}

var commitForm = pattern.New(`^tree ([0-9a-f]{40})\n((?:parent [0-9a-f]{40}\n)*)` +
	`author ([^\n<>]+ <[^\n<>]*>) ([0-9]{1,12}) ([+-][0-9]{4})\n` +
	`committer ([^\n<>]+ <[^\n<>]*>) ([0-9]{1,12}) ([+-][0-9]{4})\n\n`)

// ParseCommit reads a commit. It must be written as those of a unit's history
// are: other header lines could say what no report shows.
func ParseCommit(raw []byte) (*Commit, error) {
	payload, sig, err := splitCommit(raw)
	if err != nil {
		return nil, err
	}
	// The header ends with the first empty line: nothing behind it is looked at.
	end := bytes.Index(payload, []byte("\n\n")) + 2
	m := commitForm.FindSubmatch(payload[:end])
	if m == nil {
		return nil, errors.New("it is not written as a commit of a unit's history is")
	}
	c := &Commit{Author: string(m[3]), Committer: string(m[6]), Message: string(payload[end:]), sig: sig, payload: payload}
	if c.Tree, err = parseID(string(m[1])); err != nil {
		return nil, err
	}
	for _, line := range strings.Fields(strings.ReplaceAll(string(m[2]), "parent ", "")) {
		p, err := parseID(line)
		if err != nil {
			return nil, err
		}
		if slices.Contains(c.Parents, p) {
			return nil, errors.New("it names one parent twice")
		}
		c.Parents = append(c.Parents, p)
	}
	if c.Authored, err = when(m[4], m[5]); err != nil {
		return nil, err
	}
	c.Committed, err = when(m[7], m[8])
	return c, err
}

// when reads a time as git writes it: seconds since 1970 and a zone.
func when(seconds, zone []byte) (time.Time, error) {
	n, err := strconv.ParseInt(string(seconds), 10, 64)
	if err != nil {
		return time.Time{}, err
	}
	z, err := time.Parse("-0700", string(zone))
	if err != nil {
		return time.Time{}, errors.New("its time zone is invalid")
	}
	return time.Unix(n, 0).In(z.Location()), nil
}

// Signed reports whether the commit carries an SSH signature, good or bad.
func (c *Commit) Signed() bool { return bytes.HasPrefix(c.sig, []byte(sigMark)) }

// OtherSignature reports a signature that is not SSH's, which nothing here can
// check: it counts as none.
func (c *Commit) OtherSignature() bool { return len(c.sig) > 0 && !c.Signed() }

// Key returns the key of the commit's signature. It is nil where the commit is
// not signed; an error says why a signature does not hold. The check is made
// once. It is not safe for concurrent use.
func (c *Commit) Key() (ssh.PublicKey, error) {
	if !c.checked && c.Signed() {
		c.key, c.flaw = CheckSignature(c.sig, c.payload, "git")
	}
	c.checked = true
	return c.key, c.flaw
}

// splitCommit parts a commit from its signature, as git does: the gpgsig header
// with the lines that continue it. sig is empty where there is none.
func splitCommit(raw []byte) (payload, sig []byte, err error) {
	head, body, ok := bytes.Cut(raw, []byte("\n\n"))
	if !ok {
		return nil, nil, errors.New("its header has no end")
	}
	found, in := false, false
	for _, line := range bytes.SplitAfter(append(slices.Clip(head), '\n'), []byte("\n")) {
		switch {
		case in && bytes.HasPrefix(line, []byte(" ")):
			sig = append(sig, line[1:]...)
			continue
		case bytes.HasPrefix(line, []byte("gpgsig ")):
			if found {
				return nil, nil, errors.New("it is signed twice")
			}
			found, in = true, true
			sig = append(sig, line[len("gpgsig "):]...)
			continue
		}
		in = false
		payload = append(payload, line...)
	}
	return append(append(payload, '\n'), body...), sig, nil
}

// Person parts "Name <address>".
func Person(s string) (name, mail string) {
	name, mail, _ = strings.Cut(strings.TrimSuffix(s, ">"), " <")
	return name, mail
}
