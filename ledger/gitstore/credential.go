package gitstore

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strings"

	"github.com/go-git/go-git/v5/plumbing/transport"
	gitssh "github.com/go-git/go-git/v5/plumbing/transport/ssh"
	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/agent"

	"benchlore/ledger/gitstore/config"
	"benchlore/ledger/gitstore/sshkey"
)

// credential is a name and a password, as git's helpers gave them.
type credential struct {
	about              string // the description git was asked with
	username, password string
}

// fillCredential asks git's credential helpers (gitcredentials(7)). This is the
// one place where git itself is started, if it is there.
func fillCredential(ctx context.Context, dir string, ep *transport.Endpoint) (*credential, error) {
	host := ep.Host
	if ep.Port != 0 {
		host = fmt.Sprintf("%s:%d", host, ep.Port)
	}
	c := &credential{about: fmt.Sprintf("protocol=%s\nhost=%s\npath=%s\n", ep.Protocol, host, strings.TrimPrefix(ep.Path, "/"))}
	if ep.User != "" {
		c.about += "username=" + ep.User + "\n"
	}
	out, err := gitCredential(ctx, dir, "fill", c.about+"\n")
	if err != nil {
		return nil, err
	}
	for line := range strings.Lines(string(out)) {
		key, value, _ := strings.Cut(strings.TrimRight(line, "\r\n"), "=")
		switch key {
		case "username":
			c.username = value
		case "password":
			c.password = value
		}
	}
	if c.username == "" && c.password == "" {
		return nil, errors.New("git's credential helpers have no user name for it")
	}
	return c, nil
}

// tell has the helpers keep a password that worked and forget one that did not.
func (c *credential) tell(ctx context.Context, dir string, good bool) {
	verb := "reject"
	if good {
		verb = "approve"
	}
	text := fmt.Sprintf("%susername=%s\npassword=%s\n\n", c.about, c.username, c.password)
	// A helper that cannot keep it asks again the next time.
	_, _ = gitCredential(ctx, dir, verb, text)
}

func gitCredential(ctx context.Context, dir, verb, in string) ([]byte, error) {
	git, err := exec.LookPath("git")
	if err != nil {
		return nil, errors.New("git is not installed, so its credential helpers cannot be asked")
	}
	cmd := exec.CommandContext(ctx, git, "credential", verb)
	cmd.Dir = dir
	cmd.Stdin = strings.NewReader(in)
	var why bytes.Buffer
	cmd.Stderr = &why
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("git credential %s: %s", verb, strings.TrimSpace(why.String()))
	}
	return out, nil
}

// sshAuth offers the keys of the SSH agent, then the usual key files.
func sshAuth(ep *transport.Endpoint, ask sshkey.Passphrase) (transport.AuthMethod, error) {
	login := ep.User
	if login == "" {
		login = gitssh.DefaultSSHConfig.Get(ep.Host, "User")
	}
	if login == "" {
		me, err := user.Current()
		if err != nil {
			return nil, err
		}
		login = me.Username
		if i := strings.LastIndexByte(login, '\\'); i >= 0 {
			login = login[i+1:] // Windows puts a domain in front
		}
	}
	return &gitssh.PublicKeysCallback{User: login, Callback: func() ([]ssh.Signer, error) {
		var out []ssh.Signer
		conn, err := sshkey.DialAgent()
		if err == nil && conn != nil {
			// The connection lives as long as the handshake that uses it.
			if keys, err := agent.NewClient(conn).Signers(); err == nil {
				out = append(out, keys...)
			}
		}
		files := []string{gitssh.DefaultSSHConfig.Get(ep.Host, "IdentityFile")}
		for _, name := range []string{"id_ed25519", "id_ecdsa", "id_rsa"} {
			files = append(files, "~/.ssh/"+name)
		}
		seen := map[string]bool{}
		for _, f := range files {
			if rest, ok := strings.CutPrefix(f, "~/"); ok {
				f = filepath.Join(config.HomeDir(), filepath.FromSlash(rest))
			}
			if f == "" || seen[f] {
				continue
			}
			seen[f] = true
			if s := keyFile(f, len(out) == 0, ask); s != nil {
				out = append(out, s)
			}
		}
		if len(out) == 0 {
			return nil, errors.New("there is no key in ssh-agent or in ~/.ssh")
		}
		return out, nil
	}}, nil
}

// keyFile reads a private key; nil where there is none that can be used. Its
// passphrase is asked for only if there is no other key.
func keyFile(file string, last bool, ask sshkey.Passphrase) ssh.Signer {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil
	}
	s, err := ssh.ParsePrivateKey(text)
	var locked *ssh.PassphraseMissingError
	if errors.As(err, &locked) && last && ask != nil {
		pass, aerr := ask(file)
		if aerr != nil {
			return nil
		}
		s, err = ssh.ParsePrivateKeyWithPassphrase(text, pass)
		clear(pass)
	}
	if err != nil {
		return nil
	}
	return s
}
