//go:build !windows

package sshkey

import (
	"net"
	"os"
)

// DialAgent connects to the SSH agent; nil when none is announced.
func DialAgent() (net.Conn, error) {
	socket := os.Getenv("SSH_AUTH_SOCK")
	if socket == "" {
		return nil, nil
	}
	return net.Dial("unix", socket)
}
