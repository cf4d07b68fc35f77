package gitobj

import (
	"bytes"
	"errors"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore/object"
	"benchlore/schema/pattern"
)

// Tag is an annotated tag on a commit.
type Tag struct {
	Object object.Hash
	Name   string
	Tagger string // "Name <address>"
	Tagged time.Time
	// Message is what is signed below the header.
	Message []byte

	payload, sig []byte
}

var tagForm = pattern.New(`^object ([0-9a-f]{40})\ntype commit\ntag ([^\n]+)\ntagger ([^\n<>]+ <[^\n<>]*>) ([0-9]{1,12}) ([+-][0-9]{4})\n\n`)

// ParseTag reads a tag that is written as seals are.
func ParseTag(raw []byte) (*Tag, error) {
	payload, sig := splitTag(raw)
	end := bytes.Index(payload, []byte("\n\n")) + 2
	if end < 2 {
		return nil, errors.New("its header has no end")
	}
	m := tagForm.FindSubmatch(payload[:end])
	if m == nil {
		return nil, errors.New("it is not written as a seal is")
	}
	t := &Tag{Name: string(m[2]), Tagger: string(m[3]), Message: payload[end:], payload: payload, sig: sig}
	var err error
	if t.Object, err = parseID(string(m[1])); err != nil {
		return nil, err
	}
	t.Tagged, err = when(m[4], m[5])
	return t, err
}

// Key checks the tag's signature and returns its key; a tag without one is an
// error.
func (t *Tag) Key() (ssh.PublicKey, error) {
	if len(t.sig) == 0 {
		return nil, errors.New("it is not signed")
	}
	return CheckSignature(t.sig, t.payload, "git")
}

// sigMark begins an SSH signature.
const sigMark = "-----BEGIN SSH SIGNATURE-----\n"

// splitTag parts a tag from its signature, as git does: it begins at the last
// line that looks like the beginning of one.
func splitTag(raw []byte) (payload, sig []byte) {
	i := bytes.LastIndex(raw, []byte("\n"+sigMark))
	if i < 0 {
		return raw, nil
	}
	return raw[:i+1], raw[i+1:]
}
