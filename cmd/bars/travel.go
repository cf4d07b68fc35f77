package main

import (
	"crypto/ed25519"
	"crypto/rand"
	"encoding/pem"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/crypto/ssh"

	"benchlore/ledger"
)

// writeKey makes a key to sign seals with.
func writeKey(file string) error {
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return err
	}
	block, err := ssh.MarshalPrivateKey(private, "bars")
	if err != nil {
		return err
	}
	signer, err := ssh.NewSignerFromKey(private)
	if err != nil {
		return err
	}
	if err := os.WriteFile(file+".pub", ssh.MarshalAuthorizedKey(signer.PublicKey()), 0o666); err != nil {
		return err
	}
	return os.WriteFile(file, pem.EncodeToMemory(block), 0o600)
}

// bundle times the bundle of a unit's packet and git's of the same refs. The
// program makes one only with the reports around it, so this one calls the
// library.
func (b *bench) bundle(dir, unit string) (times []spent, err error) {
	if _, err := b.command(dir, b.program, "seal", "--unsigned-history", unit); err != nil {
		return nil, err
	}
	defer func() { // the seal's commit on main
		if _, undone := b.command(dir, "git", "update-ref", "HEAD", "HEAD~1"); err == nil {
			err = undone
		}
	}()
	tags, err := filepath.Glob(filepath.Join(dir, ".git", "refs", "tags", "seal", filepath.FromSlash(unit), "*"))
	if err != nil || len(tags) != 1 {
		return nil, fmt.Errorf("%d seals of %s where there is to be one: %v", len(tags), unit, err)
	}
	seal := strings.TrimPrefix(filepath.ToSlash(tags[0]), filepath.ToSlash(filepath.Join(dir, ".git"))+"/")
	defer os.Remove(tags[0])
	out := filepath.Join(b.dir, "history.bundle")
	defer os.Remove(out)
	return b.best(func() (spent, error) { return b.command(dir, b.self, "-bundle", unit, out) },
		func() (spent, error) {
			return b.command(dir, "git", "bundle", "create", "-q", out, "refs/heads/unit/"+unit, seal)
		})
}

// writeBundle writes what a packet of a unit holds as its bundle. The ledger is
// the working directory.
func writeBundle(unit, file string) error {
	l, err := ledger.Open(".", ledger.Options{})
	if err != nil {
		return err
	}
	defer l.Close()
	f, err := os.Create(file)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := l.WriteHistory(f, unit); err != nil {
		return err
	}
	return f.Close()
}

// exchange times a backup, and the first exchange with an empty repository, which
// it leaves in away.
func (b *bench) exchange(dir, away string, ours func(...string) func() (spent, error)) (times []spent, bare string, err error) {
	shop := filepath.Join(dir, "shop.toml")
	before, err := os.ReadFile(shop)
	if err != nil {
		return nil, "", err
	}
	defer os.WriteFile(shop, before, 0o666)
	bare = filepath.Join(away, "office.git")
	if err := os.WriteFile(shop, append(before, remote(bare)...), 0o666); err != nil {
		return nil, "", err
	}
	zip := filepath.Join(away, "backup.zip")
	times, err = b.best(func() (spent, error) {
		if err := os.RemoveAll(zip); err != nil {
			return spent{}, err
		}
		return ours("backup", zip)()
	}, func() (spent, error) {
		if err := os.RemoveAll(bare); err != nil {
			return spent{}, err
		}
		return ours("sync", "--create")()
	})
	return times, bare, errors.Join(err, os.RemoveAll(zip))
}

// remote is what shop.toml says of the shop's own server.
func remote(bare string) string {
	return fmt.Sprintf("\n[[remote]]\nname = \"office\"\nurl = '%s'\nrole = \"own\"\n", bare)
}
