package schema

import (
	"fmt"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"
)

// FileFormat is the version of one kind of file: what this program writes, and
// all it reads.
type FileFormat struct {
	What    string // what is of that format, as errors say it
	Current int
	Read    []int
}

// The versions this program writes. They are read before anything else in the
// file, and go up one without the other.
const (
	ShopFormatNow       = 1 // shop.toml, and with it the folders of the ledger
	InstrumentFormatNow = 1 // instrument.toml, and with it the unit's records
)

// The formats of the files that say one.
var (
	ShopFormat       = FileFormat{"the ledger", ShopFormatNow, []int{1}}
	InstrumentFormat = FileFormat{"the instrument's folder", InstrumentFormatNow, []int{1}}
)

// FormatError says that a file is of a version this program does not read, or
// of none: three different things to do about it.
type FormatError struct {
	File   string
	Format FileFormat
	Found  int
	Why    string // why none could be read; "" where Found is what it says
}

// TooNew reports whether a later release of the program reads the file.
func (e *FormatError) TooNew() bool { return e.Why == "" && e.Found > e.Format.Current }

func (e *FormatError) Error() string {
	switch {
	case e.Why != "":
		return fmt.Sprintf("%s: cannot tell the version of %s: %s", e.File, e.Format.What, e.Why)
	case e.TooNew():
		return fmt.Sprintf("%s: %s is of format %d, newer than this program, which reads format %d", e.File, e.Format.What, e.Found, e.Format.Current)
	}
	return fmt.Sprintf("%s: %s is of format %d; this program reads format %d", e.File, e.Format.What, e.Found, e.Format.Current)
}

// Hint names the next step.
func (e *FormatError) Hint() string {
	switch {
	case e.Why != "":
		return fmt.Sprintf("write format = %d at the top of the file, or put it back with: git checkout HEAD -- %s", e.Format.Current, e.File)
	case e.TooNew():
		return "install a newer Benchlore"
	}
	return fmt.Sprintf("write format = %d: no older format was ever in use, so there is nothing to migrate", e.Format.Current)
}

// Check reads the version of a file and nothing else. The error is a
// [*FormatError].
func (f FileFormat) Check(file string, data []byte) error {
	var head struct{ Format *int }
	if _, err := toml.Decode(string(data), &head); err != nil {
		// Later keys may be wrong; the version may still be there.
		head.Format = nil
		for _, line := range strings.Split(string(data), "\n") {
			var n int
			if _, scan := fmt.Sscanf(strings.ReplaceAll(line, " ", ""), "format=%d", &n); scan == nil {
				head.Format = &n
				break
			}
		}
	}
	switch {
	case head.Format == nil:
		return &FormatError{File: file, Format: f, Why: fmt.Sprintf("it has no line format = %d", f.Current)}
	case !slices.Contains(f.Read, *head.Format):
		return &FormatError{File: file, Format: f, Found: *head.Format}
	}
	return nil
}
