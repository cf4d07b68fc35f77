// Package proof checks what a shop hands over with an instrument: a packet, the
// bundle in it, or a clone of the history. Bytes go in and a verdict comes out.
// It knows the statement of a seal, the files of a packet, whose keys count, and
// how a history is read; it knows no ledger, no disk and no report.
//
// Everything it reads may come from somebody who wants it to be wrong, to hang or
// to take all memory: see limits.go for what is read at most.
package proof

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"benchlore/ledger/gitstore/object"
	"benchlore/schema"
)

// Where git keeps what a history consists of.
const (
	TagRefs  = "refs/tags/"
	SealTags = "seal/"
	UnitRefs = "refs/heads/unit/"
)

// The formats this program writes, each counted by itself. Each reader accepts a
// list; what stands above it is too new, which is no damage.
const (
	FormatStatement = 1
	FormatPacket    = 1
	FormatRotation  = 1
	FormatAdoption  = 1
	FormatBackup    = 1
)

var (
	acceptedStatements = []int{1}
	acceptedPackets    = []int{1}
	acceptedRotations  = []int{1}
	acceptedAdoptions  = []int{1}
	acceptedBackups    = []int{1}
)

// TooNewError says that a file was written by a later release.
type TooNewError struct {
	What  string // "statement of a seal"
	Found int
	Reads []int
}

func (e *TooNewError) Error() string {
	return fmt.Sprintf("this %s has format %d, and this program reads up to format %d", e.What, e.Found, slices.Max(e.Reads))
}

// Hint names the next step.
func (e *TooNewError) Hint() string { return "upgrade the program" }

// checkFormat holds the format a file says it has against those that are read.
func checkFormat(what string, found int, accepted []int) error {
	switch {
	case slices.Contains(accepted, found):
		return nil
	case found > slices.Max(accepted):
		return &TooNewError{what, found, accepted}
	}
	return fmt.Errorf("this %s has the invalid format %d", what, found)
}

// CheckAdoption refuses the format of a file in adopted/ that is not read here.
func CheckAdoption(found int) error {
	return checkFormat("note of an adoption", found, acceptedAdoptions)
}

// CheckBackup refuses the format of a backup that is not read here.
func CheckBackup(found int) error { return checkFormat("backup", found, acceptedBackups) }

// InputError says what is wrong with something the user wrote or named, and what
// to write instead.
type InputError struct{ What, Remedy string }

func (e *InputError) Error() string { return e.What }

// Hint says what to write instead.
func (e *InputError) Hint() string { return e.Remedy }

// Digest is the SHA-256 of a text, in lower-case hexadecimal.
func Digest(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// UnitRef is the branch of a unit, model/tag.
func UnitRef(name string) string { return UnitRefs + name }

// unitDir is where a unit's folder is in a ledger.
func unitDir(name string) string { return schema.UnitFolder(name) }

// recordName is the name records have for one another: the file's, without
// .toml.
func recordName(p string) string {
	return strings.TrimSuffix(p[strings.LastIndexByte(p, '/')+1:], ".toml")
}

// Ref is a name with the object it stands on.
type Ref struct {
	Name string
	ID   object.Hash
}
