package page

import (
	"errors"
	"io"
)

// Write sets no table in a browser: the page that checks packets shows facts, and
// needs no library for columns of letters. The error is [errors.ErrUnsupported].
func (t *Table) Write(io.Writer, string, int) error { return errors.ErrUnsupported }
