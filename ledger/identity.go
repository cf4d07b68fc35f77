package ledger

import (
	"errors"
	"time"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger/disclosure"
	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/config"
	"benchlore/ledger/gitstore/sshkey"
	"benchlore/schema"
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
	if committer, err = cfg.Committer(now); err == nil {
		author, err = cfg.Author(now)
	}
	if _, nobody := errors.AsType[*config.IdentityError](err); nobody {
		if id, ok := onlyTechnician(l.Shop); ok {
			id.When = now
			return id, id, nil
		}
	}
	return committer, author, err
}

// unitIdents are who commits and who is author of what travels, now.
func (l *Ledger) unitIdents() (committer, author gitstore.Ident, err error) {
	committer, author, err = l.idents()
	return l.onHistory(committer), l.onHistory(author), err
}

// onHistory is somebody as a unit's history shows them: under the shop's mail
// address where shop.toml has one for that. Keys are found by themselves, so a
// signature stays good whatever address stands beside it.
func (l *Ledger) onHistory(id gitstore.Ident) gitstore.Ident {
	if l.Shop != nil && l.Shop.HistoryEmail != "" {
		id.Email = l.Shop.HistoryEmail
	}
	return id
}

// onlyTechnician is who works in a shop of one, where git knows nobody.
func onlyTechnician(s *schema.Shop) (gitstore.Ident, bool) {
	if s == nil || len(s.Technicians) != 1 || s.Technicians[0].Email == "" {
		return gitstore.Ident{}, false
	}
	t := s.Technicians[0]
	return gitstore.Ident{Name: t.Name, Email: t.Email}, true
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

// ShopEmail is the mail address in the shop's contact, "" where there is none.
func (l *Ledger) ShopEmail() string { return disclosure.MailIn(l.Shop.Contact) }

// GlobalIdentity is whom git knows outside any repository.
func GlobalIdentity() (gitstore.Ident, error) {
	cfg, err := config.Global()
	if err != nil {
		return gitstore.Ident{}, err
	}
	return cfg.Author(time.Now())
}
