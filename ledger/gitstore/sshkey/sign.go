// Package sshkey finds the user's SSH keys, in the agent and in files, and signs with
// them as git does with gpg.format=ssh.
package sshkey

import (
	"bytes"
	"crypto/ed25519"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/hiddeco/sshsig"
	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/agent"

	"benchlore/ledger/gitstore/config"
)

// Signer makes SSH signatures (OpenSSH PROTOCOL.sshsig, SHA-512).
type Signer interface {
	// PublicKey is the key signatures are checked with.
	PublicKey() ssh.PublicKey
	// Sign returns an armored signature over data in a namespace; git's is
	// "git".
	Sign(namespace string, data []byte) ([]byte, error)
}

// Error says why no signature can be made, and what to set.
type Error struct {
	Key    string // as configured; "" when not set
	Reason string
	Err    error
}

func (e *Error) Error() string {
	msg := "cannot sign"
	if e.Key != "" {
		msg += fmt.Sprintf(" with %q", e.Key)
	}
	msg += ": " + e.Reason
	if e.Err != nil {
		msg += ": " + e.Err.Error()
	}
	return msg
}

func (e *Error) Unwrap() error { return e.Err }

// Passphrase asks the user for the passphrase of a key file. An error ends
// the attempt.
type Passphrase func(file string) ([]byte, error)

// Load finds the key of user.signingkey as `git commit -S` does with
// gpg.format=ssh: a key given literally or as a public key file is looked for
// in the SSH agent, then in the private key file beside it; a private key file
// is read. With an encrypted key ask is called; nil refuses it.
// Error: *Error.
func Load(cfg *config.Config, ask Passphrase) (Signer, error) {
	if format, ok := cfg.Get("gpg.format"); ok && format != "ssh" {
		return nil, &Error{Reason: fmt.Sprintf("gpg.format is %q; run `git config --global gpg.format ssh`", format)}
	}
	key, _ := cfg.Get("user.signingkey")
	if key == "" {
		return nil, &Error{Reason: "no key is chosen; run `git config --global user.signingkey ~/.ssh/id_ed25519` " +
			"with the name of your SSH key file"}
	}
	literal, isLiteral := strings.CutPrefix(key, "key::")
	if isLiteral || strings.HasPrefix(key, "ssh-") || strings.HasPrefix(key, "ecdsa-") || strings.HasPrefix(key, "sk-") {
		pub, _, _, _, err := ssh.ParseAuthorizedKey([]byte(literal))
		if err != nil {
			return nil, &Error{key, "this is not a public key", err}
		}
		s, err := fromAgent(pub)
		if err != nil {
			return nil, &Error{key, "the SSH agent cannot be used; start it, or set user.signingkey to the key's file", err}
		}
		if s == nil {
			return nil, &Error{Key: key, Reason: "the SSH agent does not hold this key; run `ssh-add` with its file"}
		}
		return newSigner(key, s)
	}
	file, _, err := cfg.Path("user.signingkey")
	if err != nil {
		return nil, &Error{key, "its file cannot be found", err}
	}
	return signerFromFile(key, file, ask)
}

// LoadFile is Load with a file named instead of user.signingkey.
func LoadFile(file string, ask Passphrase) (Signer, error) {
	return signerFromFile(file, file, ask)
}

func signerFromFile(key, file string, ask Passphrase) (Signer, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, &Error{key, "the key file cannot be read", err}
	}
	private := file
	pub, _, _, _, err := ssh.ParseAuthorizedKey(text)
	if err == nil {
		private = strings.TrimSuffix(file, ".pub")
		text = nil
		if private != file {
			text, err = os.ReadFile(private)
		}
		s, aerr := fromAgent(pub)
		if s != nil {
			return newSigner(key, s)
		}
		if text == nil {
			return nil, &Error{key, fmt.Sprintf("this is a public key; the private key %q is not there and the SSH agent does not hold it", private),
				errors.Join(err, aerr)}
		}
	}
	s, err := ssh.ParsePrivateKey(text)
	if locked, ok := errors.AsType[*ssh.PassphraseMissingError](err); ok {
		if pub == nil {
			pub = locked.PublicKey
		}
		if pub == nil {
			pub = publicKeyBeside(private)
		}
		if pub != nil {
			if s, _ := fromAgent(pub); s != nil {
				return newSigner(key, s)
			}
		}
		if ask == nil {
			return nil, &Error{Key: key, Reason: fmt.Sprintf("the key %q has a passphrase; run `ssh-add %s` first", private, private)}
		}
		var pass []byte
		if pass, err = ask(private); err != nil {
			return nil, &Error{key, "no passphrase was given", err}
		}
		s, err = ssh.ParsePrivateKeyWithPassphrase(text, pass)
		clear(pass)
		if errors.Is(err, x509.IncorrectPasswordError) {
			return nil, &Error{Key: key, Reason: "this is not its passphrase"}
		}
	}
	if err != nil {
		return nil, &Error{key, fmt.Sprintf("%q is not an SSH private key that can be read here", private), err}
	}
	if pub != nil && !bytes.Equal(pub.Marshal(), s.PublicKey().Marshal()) {
		return nil, &Error{Key: key, Reason: fmt.Sprintf("%q is not the private key of this public key", private)}
	}
	return newSigner(key, s)
}

// SigningKey is the public key of user.signingkey, which needs no passphrase and
// no agent; nil where none is chosen or it cannot be read.
func SigningKey(cfg *config.Config) ssh.PublicKey {
	key, _ := cfg.Get("user.signingkey")
	if pub, _, _, _, err := ssh.ParseAuthorizedKey([]byte(strings.TrimPrefix(key, "key::"))); err == nil {
		return pub
	}
	file, ok, err := cfg.Path("user.signingkey")
	if !ok || err != nil {
		return nil
	}
	pub, err := PublicKey(file)
	if err != nil {
		return nil
	}
	return pub
}

// PublicKey reads the public key of a key file, private or public. An encrypted
// one is not opened. Error: *Error.
func PublicKey(file string) (ssh.PublicKey, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, &Error{file, "the key file cannot be read", err}
	}
	if pub, _, _, _, err := ssh.ParseAuthorizedKey(text); err == nil {
		return pub, nil
	}
	s, err := ssh.ParsePrivateKey(text)
	if err == nil {
		return s.PublicKey(), nil
	}
	if locked, ok := errors.AsType[*ssh.PassphraseMissingError](err); ok && locked.PublicKey != nil {
		return locked.PublicKey, nil
	}
	if pub := publicKeyBeside(file); pub != nil {
		return pub, nil
	}
	return nil, &Error{file, "this SSH key cannot be read here", err}
}

// WriteKey makes an Ed25519 key pair: the private key as OpenSSH keeps it, for
// its owner's eyes only, in file, which must not be there yet, and the public one
// in file.pub. The private key is encrypted where a passphrase is given.
func WriteKey(file, comment string, passphrase []byte) (ssh.PublicKey, error) {
	public, private, err := ed25519.GenerateKey(nil)
	if err != nil {
		return nil, err
	}
	pub, err := ssh.NewPublicKey(public)
	if err != nil {
		return nil, err
	}
	var block *pem.Block
	if len(passphrase) > 0 {
		block, err = ssh.MarshalPrivateKeyWithPassphrase(private, comment, passphrase)
	} else {
		block, err = ssh.MarshalPrivateKey(private, comment)
	}
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		return nil, &Error{file, "the key file cannot be written", err}
	}
	line := strings.TrimSuffix(string(ssh.MarshalAuthorizedKey(pub)), "\n") + " " + comment + "\n"
	for _, f := range []struct {
		name string
		data []byte
		mode os.FileMode
	}{{file, pem.EncodeToMemory(block), 0o600}, {file + ".pub", []byte(line), 0o644}} {
		out, err := os.OpenFile(f.name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, f.mode)
		if err == nil {
			_, err = out.Write(f.data)
			err = errors.Join(err, out.Sync(), out.Close())
		}
		if err != nil {
			return nil, &Error{f.name, "the key file cannot be written", err}
		}
	}
	// Not every system lets a folder be synced.
	if d, err := os.Open(filepath.Dir(file)); err == nil {
		d.Sync()
		d.Close()
	}
	return pub, nil
}

func publicKeyBeside(private string) ssh.PublicKey {
	text, err := os.ReadFile(private + ".pub")
	if err != nil {
		return nil
	}
	pub, _, _, _, err := ssh.ParseAuthorizedKey(text)
	if err != nil {
		return nil
	}
	return pub
}

type sshSigner struct{ ssh.Signer }

func newSigner(key string, s ssh.Signer) (Signer, error) {
	if s.PublicKey().Type() == "ssh-dss" {
		return nil, &Error{Key: key, Reason: "DSA keys are no longer accepted; make one with `ssh-keygen -t ed25519`"}
	}
	return sshSigner{s}, nil
}

func (s sshSigner) Sign(namespace string, data []byte) ([]byte, error) {
	sig, err := sshsig.Sign(bytes.NewReader(data), s.Signer, sshsig.HashSHA512, namespace)
	if err != nil {
		return nil, &Error{ssh.FingerprintSHA256(s.PublicKey()), "the key did not sign", err}
	}
	return sshsig.Armor(sig), nil
}

// fromAgent returns the agent's signer for a key, nil when there is no agent
// or it does not hold the key.
func fromAgent(pub ssh.PublicKey) (ssh.Signer, error) {
	conn, err := DialAgent()
	if err != nil {
		return nil, err
	}
	if conn == nil {
		return nil, errors.New("no SSH agent is running")
	}
	keys, err := agent.NewClient(conn).List()
	conn.Close()
	if err != nil {
		return nil, err
	}
	for _, k := range keys {
		if bytes.Equal(k.Blob, pub.Marshal()) {
			return agentSigner{pub}, nil
		}
	}
	return nil, nil
}

// agentSigner opens the agent again for each signature, so that nothing has to
// be closed.
type agentSigner struct{ pub ssh.PublicKey }

func (s agentSigner) PublicKey() ssh.PublicKey { return s.pub }

func (s agentSigner) Sign(rand io.Reader, data []byte) (*ssh.Signature, error) {
	return s.SignWithAlgorithm(rand, data, "")
}

// SignWithAlgorithm asks for SHA-512 with RSA keys, the only kind for which an
// agent has a choice.
func (s agentSigner) SignWithAlgorithm(_ io.Reader, data []byte, algorithm string) (*ssh.Signature, error) {
	conn, err := DialAgent()
	if err != nil {
		return nil, err
	}
	if conn == nil {
		return nil, errors.New("the SSH agent is gone")
	}
	defer conn.Close()
	var flags agent.SignatureFlags
	switch algorithm {
	case ssh.KeyAlgoRSASHA512:
		flags = agent.SignatureFlagRsaSha512
	case ssh.KeyAlgoRSASHA256:
		flags = agent.SignatureFlagRsaSha256
	}
	return agent.NewClient(conn).SignWithFlags(s.pub, data, flags)
}
