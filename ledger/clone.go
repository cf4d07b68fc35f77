package ledger

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
)

// Clone copies a ledger from an own server into dir, which must not be there or
// be empty: main, every unit's branch, every seal. On failure nothing stays.
func Clone(ctx context.Context, url, dir string, opt Options) (*Ledger, error) {
	opt.defaults()
	if _, local := gitstore.LocalRemote(url); local {
		if abs, err := filepath.Abs(url); err == nil && !strings.Contains(url, "://") {
			url = abs
		}
	}
	return populate(ctx, dir, opt, func(r *gitstore.Repo) (map[string]object.Hash, *gitstore.Received, error) {
		far, err := r.Remote(url, gitstore.RemoteOptions{Passphrase: opt.Passphrase})
		if err != nil {
			return nil, nil, err
		}
		refs, err := far.Refs(ctx)
		var away *gitstore.RemoteError
		if path, local := far.Dir(); local && errors.As(err, &away) && gitstore.Creatable(path) {
			away.Remedy = "look at the address: it is the url in the shop.toml of the bench that has the ledger"
		}
		if err != nil {
			return nil, nil, err
		}
		maps.DeleteFunc(refs, func(name string, _ object.Hash) bool {
			return name != mainRef && !strings.HasPrefix(name, unitRefs) && !strings.HasPrefix(name, tagRefs+sealTags)
		})
		if refs[mainRef].IsZero() {
			return nil, nil, &UsageError{far.URL + " holds no ledger: it has no branch main", "send one there first: benchlore sync, in a ledger whose shop.toml names it"}
		}
		want := slices.Collect(maps.Values(refs))
		slices.SortFunc(want, func(a, b object.Hash) int { return slices.Compare(a[:], b[:]) })
		got, err := far.Fetch(ctx, slices.Compact(want), nil)
		return refs, got, err
	}, nil)
}

// populate makes a ledger in dir of objects and refs from elsewhere, and of what
// then, where it is given, adds. On failure, or when ctx ends, nothing stays.
func populate(ctx context.Context, dir string, opt Options, from func(*gitstore.Repo) (map[string]object.Hash, *gitstore.Received, error),
	then func(*Ledger) error) (_ *Ledger, err error) {
	dir, err = filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	entries, err := os.ReadDir(dir)
	if err == nil && len(entries) > 0 {
		return nil, &UsageError{fmt.Sprintf("%s is there already and is not empty", dir), "choose another folder"}
	}
	fresh := err != nil
	repo, err := gitstore.Init(dir, gitstore.InitOptions{NoSync: opt.NoSync, Program: Program})
	if err != nil {
		return nil, err
	}
	defer func() {
		repo.Close()
		if err == nil {
			return
		}
		if fresh {
			os.RemoveAll(dir)
			return
		}
		entries, _ := os.ReadDir(dir)
		for _, e := range entries {
			os.RemoveAll(filepath.Join(dir, e.Name()))
		}
	}()
	refs, got, err := from(repo)
	if err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	tx, err := repo.Lock(ctx, opt.Wait)
	if err != nil {
		return nil, err
	}
	defer tx.Rollback()
	if err := tx.Store(got); err != nil {
		return nil, err
	}
	if err := repo.Whole(slices.Collect(maps.Values(refs)), nil); err != nil {
		return nil, fmt.Errorf("what came is not whole: %w", err)
	}
	var plan gitstore.Plan
	for _, name := range slices.Sorted(maps.Keys(refs)) {
		plan.Refs = append(plan.Refs, gitstore.RefUpdate{Name: name, New: refs[name]})
	}
	plan.Reason = "benchlore: copied"
	if err := tx.Commit(plan); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Join(dir, "private"), 0o700); err != nil {
		return nil, err
	}
	l, err := Open(dir, opt)
	var none *NoLedgerError
	if errors.As(err, &none) {
		return nil, &UsageError{"what came is no ledger: its main has no shop.toml", "look at the address"}
	}
	if err != nil {
		return nil, err
	}
	err = ctx.Err()
	if err == nil && then != nil {
		err = then(l)
	}
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}
