// Package object has the four kinds of object that git stores: how they are
// named, and how their bytes are read and written. It works on bytes alone and
// needs nothing but the standard library; packs, files and repositories are the
// business of others.
//
// Formats: git's Documentation/gitformat-signature and the chapter "Git Objects"
// of its manual; objects under SHA-1 only.
package object

import (
	"bytes"
	"crypto/sha1"
	"encoding/hex"
	"strconv"
)

// Hash is the name of an object: the SHA-1 sum of its type, its length and its
// bytes.
type Hash [sha1.Size]byte

// ZeroHash is the name of no object.
var ZeroHash Hash

// NewHash reads a name written as 40 hexadecimal digits. Anything else gives
// ZeroHash: ask IsHash first where the text may be something else.
func NewHash(s string) (h Hash) {
	if IsHash(s) {
		hex.Decode(h[:], []byte(s)) // IsHash has looked at each digit
	}
	return h
}

// IsHash reports whether s is a name written as 40 hexadecimal digits.
func IsHash(s string) bool {
	if len(s) != 2*sha1.Size {
		return false
	}
	for i := range len(s) {
		switch c := s[i]; {
		case '0' <= c && c <= '9', 'a' <= c && c <= 'f', 'A' <= c && c <= 'F':
		default:
			return false
		}
	}
	return true
}

// String writes the name as 40 lower-case hexadecimal digits.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// IsZero reports whether it is the name of no object.
func (h Hash) IsZero() bool { return h == ZeroHash }

// Compare puts names in the order of their bytes: -1, 0 or 1.
func (h Hash) Compare(other Hash) int { return bytes.Compare(h[:], other[:]) }

// Type is the kind of an object. The numbers are those used in packs.
type Type int8

const (
	TypeCommit Type = 1
	TypeTree   Type = 2
	TypeBlob   Type = 3
	TypeTag    Type = 4
)

// String is the word git has for the type; "unknown" for any other number.
func (t Type) String() string {
	switch t {
	case TypeCommit:
		return "commit"
	case TypeTree:
		return "tree"
	case TypeBlob:
		return "blob"
	case TypeTag:
		return "tag"
	}
	return "unknown"
}

// ParseType reads the word git has for a type.
func ParseType(s string) (Type, bool) {
	for _, t := range []Type{TypeCommit, TypeTree, TypeBlob, TypeTag} {
		if t.String() == s {
			return t, true
		}
	}
	return 0, false
}

// Object is an object whole: its type and its bytes.
type Object struct {
	Type Type
	Data []byte
}

// Hash computes the object's name.
func (o Object) Hash() Hash { return Sum(o.Type, o.Data) }

// Sum computes the name that bytes have as an object of a type.
func Sum(t Type, data []byte) (h Hash) {
	head := make([]byte, 0, 32)
	head = append(append(head, t.String()...), ' ')
	head = append(strconv.AppendInt(head, int64(len(data)), 10), 0)
	s := sha1.New()
	s.Write(head)
	s.Write(data)
	s.Sum(h[:0])
	return h
}
