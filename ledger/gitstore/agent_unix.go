//go:build !windows

package gitstore

import (
	"net"
	"os"
)

// dialAgent connects to the SSH agent; nil when none is announced.
func dialAgent() (net.Conn, error) {
	socket := os.Getenv("SSH_AUTH_SOCK")
	if socket == "" {
		return nil, nil
	}
	return net.Dial("unix", socket)
}
