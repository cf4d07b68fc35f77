//go:build !windows

package main

import (
	"errors"
	"syscall"
)

// isClosedPipe reports whether nobody reads any more what is printed.
func isClosedPipe(err error) bool { return errors.Is(err, syscall.EPIPE) }
