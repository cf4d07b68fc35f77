package sshkey

import (
	"errors"
	"io/fs"
	"net"
	"os"
	"strings"
	"time"

	"github.com/Microsoft/go-winio"
)

// DialAgent connects to the SSH agent; nil when none is running. OpenSSH for
// Windows listens on a named pipe, agents from elsewhere announce a socket.
func DialAgent() (net.Conn, error) {
	pipe := `\\.\pipe\openssh-ssh-agent`
	if socket := os.Getenv("SSH_AUTH_SOCK"); strings.HasPrefix(socket, `\\`) {
		pipe = socket
	} else if socket != "" {
		return net.Dial("unix", socket)
	}
	wait := 2 * time.Second
	conn, err := winio.DialPipe(pipe, &wait)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return conn, err
}
