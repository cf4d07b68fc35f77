// Package remedy has errors that keep what is wrong apart from what to write
// instead, so that a message can be shown in two lines, in two columns, or
// joined with another one.
package remedy

import (
	"errors"
	"fmt"
	"strings"
)

// Error says what is wrong with a text somebody wrote.
type Error struct {
	What  string // what is wrong, in the words typed
	Write string // what to write instead; "" where nothing is to be said
}

// Error gives both in one line, set apart by a colon.
func (e *Error) Error() string {
	if e.Write == "" {
		return e.What
	}
	return e.What + ": " + e.Write
}

// Parts gives both. Errors of other types may have this method too: see [Parts].
func (e *Error) Parts() (what, write string) { return e.What, e.Write }

// Errorf makes an error from a format in two parts, set apart by " => ": what is
// wrong, and what to write instead. The arguments of the first part come first;
// their texts may hold an arrow themselves. Neither part numbers its arguments.
func Errorf(format string, args ...any) error {
	what, write := Sprintf(format, args...)
	return &Error{what, write}
}

// Sprintf formats the two parts of such a format. write is "" where it has one.
func Sprintf(format string, args ...any) (what, write string) {
	before, after, two := strings.Cut(format, " => ")
	if !two {
		return fmt.Sprintf(format, args...), ""
	}
	n := min(verbs(before), len(args))
	return fmt.Sprintf(before, args[:n]...), fmt.Sprintf(after, args[n:]...)
}

// verbs counts the arguments a format takes.
func verbs(format string) int {
	return strings.Count(format, "%") - 2*strings.Count(format, "%%")
}

// Parts takes an error apart. write is "" where it has nothing to say; what is
// the whole text then.
func Parts(err error) (what, write string) {
	if e, ok := errors.AsType[interface {
		error
		Parts() (what, write string)
	}](err); ok {
		return e.Parts()
	}
	return err.Error(), ""
}

// In says where an error is, in front of it: "VALUE: what is wrong".
func In(where string, err error) error {
	what, write := Parts(err)
	return &Error{where + ": " + what, write}
}
