package ledger

import (
	"errors"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/config"
	"benchlore/ledger/gitstore/sshkey"
)

// idents returns who commits and who is recorded as author, now.
func (l *Ledger) idents() (committer, author gitstore.Ident, err error) {
	now := l.opt.Now()
	if l.opt.Author != nil {
		committer = *l.opt.Author
		committer.When = now
		return committer, committer, nil
	}
	cfg, err := l.repo.Config()
	if err != nil {
		return committer, author, err
	}
	if committer, err = cfg.Committer(now); err != nil {
		return committer, author, err
	}
	author, err = cfg.Author(now)
	return committer, author, err
}

// mainSigner signs commits on main where git is told to (commit.gpgsign).
func (l *Ledger) mainSigner() (sshkey.Signer, error) {
	cfg, err := l.repo.Config()
	if err != nil {
		return nil, err
	}
	if on, err := cfg.SignCommits(); err != nil || !on {
		return nil, err
	}
	return sshkey.Load(cfg, l.opt.Passphrase)
}

// unitSigner signs what travels wherever git has an SSH key to sign with; nil
// where none is chosen.
func (l *Ledger) unitSigner() (sshkey.Signer, error) {
	cfg, err := l.repo.Config()
	if err != nil {
		return nil, err
	}
	if key, _ := cfg.Get("user.signingkey"); key == "" {
		return nil, nil
	}
	if format, ok := cfg.Get("gpg.format"); !ok || format != "ssh" {
		return nil, nil // a key of another kind
	}
	return sshkey.Load(cfg, l.opt.Passphrase)
}

// fingerprint names a key as ssh-keygen -l does; "" for none.
func fingerprint(s sshkey.Signer) string {
	if s == nil {
		return ""
	}
	return ssh.FingerprintSHA256(s.PublicKey())
}

// UserEmail is the mail address git has for whoever works here, "" for none.
func (l *Ledger) UserEmail() (string, error) {
	_, author, err := l.idents()
	if _, nobody := errors.AsType[*config.IdentityError](err); nobody {
		return "", nil
	}
	return author.Email, err
}

// GlobalIdentity is whom git knows outside any repository.
func GlobalIdentity() (gitstore.Ident, error) {
	cfg, err := config.Global()
	if err != nil {
		return gitstore.Ident{}, err
	}
	return cfg.Author(time.Now())
}
