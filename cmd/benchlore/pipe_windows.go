package main

import (
	"errors"
	"syscall"

	"golang.org/x/sys/windows"
)

// isClosedPipe reports whether nobody reads any more what is printed.
func isClosedPipe(err error) bool {
	return errors.Is(err, syscall.EPIPE) || errors.Is(err, windows.ERROR_NO_DATA) || errors.Is(err, windows.ERROR_BROKEN_PIPE)
}
