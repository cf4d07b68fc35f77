// Package gitobj reads git's objects from their bytes: commits, trees and tags
// as a unit's history holds them, and the SSH signatures on them. It is strict:
// what is not written as such a history is written is refused, so that no other
// program reads something else in the same bytes.
package gitobj

import (
	"fmt"

	"benchlore/ledger/gitstore/object"
)

// Objects gives objects by name. What it returns is not to be changed. An object
// that is not there is a *[MissingError].
type Objects interface {
	Object(object.Hash) (object.Type, []byte, error)
}

// Set is objects in memory, whole.
type Set map[object.Hash]object.Object

// Object returns one of them.
func (s Set) Object(id object.Hash) (object.Type, []byte, error) {
	o, ok := s[id]
	if !ok {
		return 0, nil, &MissingError{id}
	}
	return o.Type, o.Data, nil
}

// MissingError names an object that is not there.
type MissingError struct{ ID object.Hash }

func (e *MissingError) Error() string { return fmt.Sprintf("the object %s is missing", e.ID) }

// Read returns the content of an object that must be of a type.
func Read(from Objects, id object.Hash, want object.Type) ([]byte, error) {
	t, data, err := from.Object(id)
	if err != nil {
		return nil, err
	}
	if t != want {
		return nil, fmt.Errorf("%s is a %s, not a %s", id, t, want)
	}
	return data, nil
}

// ReadCommit reads a commit by name.
func ReadCommit(from Objects, id object.Hash) (*Commit, error) {
	data, err := Read(from, id, object.TypeCommit)
	if err != nil {
		return nil, err
	}
	return ParseCommit(data)
}

// ReadTree reads a tree by name.
func ReadTree(from Objects, id object.Hash) ([]Entry, error) {
	data, err := Read(from, id, object.TypeTree)
	if err != nil {
		return nil, err
	}
	return ParseTree(data)
}

// parseID reads 40 lower-case hexadecimal digits, the only way git writes names.
func parseID(s string) (object.Hash, error) {
	if id := object.NewHash(s); id.String() == s {
		return id, nil
	}
	return object.ZeroHash, fmt.Errorf("%.60q is no object name of 40 hexadecimal digits", s)
}
