package ledger

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	shellquote "github.com/kballard/go-shellquote"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// SyncOptions are what somebody decided about an exchange.
type SyncOptions struct {
	Create bool // make a bare repository where the remote is a folder that is not there
}

// Synced is what an exchange with one remote did.
type Synced struct {
	Result
	Remote    string            `json:"remote"`
	URL       string            `json:"url"`
	Role      schema.RemoteRole `json:"role"`
	Fetched   int               `json:"objectsFetched"`
	Units     []string          `json:"units"` // changed here
	Seals     []string          `json:"seals"` // new here
	Pushed    []string          `json:"pushed"`
	Conflicts []string          `json:"conflicts"` // files whose other version went to conflicts/
	Renamed   map[string]string `json:"renamed,omitempty"`
	HeldBack  []HeldBack        `json:"heldBack"`
	// SealsKept are, by unit, seals that a peer does not get, since the unit came
	// in under another name and they are of that name.
	SealsKept map[string][]string `json:"sealsKept,omitempty"`
	Problems  []schema.Problem    `json:"problems"` // errors of the units that changed here
	Rounds    int                 `json:"rounds"`   // 1, and one for each time somebody else was faster
}

// HeldBack is a unit that a peer has and that was not taken in.
type HeldBack struct {
	Unit   string `json:"unit"`
	Why    string `json:"why"`
	Remedy string `json:"remedy"`
}

// syncRounds is how often an exchange begins anew because somebody else was
// faster.
const syncRounds = 12

// Remotes are the remotes to exchange with: the one named, or all.
func (l *Ledger) Remotes(name string) ([]schema.Remote, error) {
	if len(l.Shop.Remotes) == 0 {
		return nil, &UsageError{"shop.toml names no remote to exchange with",
			"write into it, for instance: [[remote]] name = \"office\" url = \"ssh://office/srv/ledger.git\" role = \"own\", each key on a line of its own"}
	}
	if name == "" {
		return l.Shop.Remotes, nil
	}
	var names []string
	for _, r := range l.Shop.Remotes {
		if r.Name == name {
			return []schema.Remote{r}, nil
		}
		names = append(names, r.Name)
	}
	return nil, &UsageError{fmt.Sprintf("shop.toml names no remote %q", name), "the remotes are: " + strings.Join(names, ", ")}
}

// Sync exchanges with a remote: fetches, merges here, and pushes, again where
// somebody else was faster. A peer gets the units shop.toml names for it with
// their seals, and never anything else.
// Errors: *gitstore.RemoteError, *gitstore.RefusedError, *ProblemsError,
// *UsageError, and those of writing. Nothing is lost by any of them.
func (l *Ledger) Sync(ctx context.Context, remote schema.Remote, o SyncOptions) (Synced, error) {
	x := &exchange{l: l, remote: remote, out: Synced{Remote: remote.Name, Role: remote.Role, Units: []string{}, Seals: []string{}, Pushed: []string{},
		Conflicts: []string{}, HeldBack: []HeldBack{}, Problems: []schema.Problem{}}}
	for _, r := range l.Shop.Remotes {
		if r.URL == remote.URL && r.Role == schema.RemotePeer {
			x.out.Role = schema.RemotePeer // one address cannot be both
			if remote.Role != schema.RemotePeer {
				return x.out, &UsageError{fmt.Sprintf("shop.toml names %s as its own and as a peer's", r.URL), "it can be one of the two: take out the wrong entry"}
			}
		}
	}
	if err := x.start(o); err != nil {
		return x.out, err
	}
	for x.out.Rounds = 1; ; x.out.Rounds++ {
		err := x.round(ctx)
		var refused *gitstore.RefusedError
		if !errors.As(err, &refused) || !refused.Another || x.out.Rounds >= syncRounds {
			if err == nil {
				err = x.look()
			}
			return x.out, err
		}
		select {
		case <-ctx.Done():
			return x.out, ctx.Err()
		case <-time.After(time.Duration(x.out.Rounds*x.out.Rounds) * 10 * time.Millisecond):
		}
	}
}

// step marks an instant at which tests stop an exchange.
func (l *Ledger) step(name string) error {
	if l.fault == nil {
		return nil
	}
	return l.fault(name)
}

// exchange is one run of Sync.
type exchange struct {
	l      *Ledger
	remote schema.Remote
	far    *gitstore.Remote
	out    Synced
	there  map[string]object.Hash // what the remote has of what is exchanged
	anew   map[string]bool        // units whose history there gives way
}

func (x *exchange) start(o SyncOptions) error {
	l := x.l
	if l.repo.Shallow || l.repo.Partial {
		return &UsageError{"this copy has only part of the history, so it may read but not exchange",
			"fetch the rest: git fetch --unshallow, or clone again without --depth and --filter"}
	}
	if err := l.writable(); err != nil {
		return err
	}
	if x.remote.URL == "" {
		return &UsageError{fmt.Sprintf("the remote %q has no address", x.remote.Name), "write it into shop.toml, for instance: url = \"ssh://office/srv/ledger.git\""}
	}
	for _, u := range x.remote.Units {
		if err := checkUnit(u); err != nil {
			return &UsageError{fmt.Sprintf("shop.toml names %q for %s, which is no unit: %v", u, x.remote.Name, err), "write MODEL/TAG, as benchlore list has it"}
		}
	}
	if x.out.Role == schema.RemotePeer {
		for _, u := range x.remote.Units {
			a, err := l.adoption(u)
			if err != nil {
				return err
			}
			for i := 0; a != nil && i < len(a.Seals); i++ {
				if !x.exchanged(tagRefs + a.Seals[i]) {
					if x.out.SealsKept == nil {
						x.out.SealsKept = map[string][]string{}
					}
					x.out.SealsKept[u] = append(x.out.SealsKept[u], a.Seals[i])
				}
			}
		}
	}
	var err error
	x.far, err = l.repo.Remote(x.remote.URL, gitstore.RemoteOptions{Passphrase: l.opt.Passphrase, Apart: l.fault != nil})
	if err != nil {
		return err
	}
	x.out.URL = x.far.URL
	dir, local := x.far.Dir()
	if !o.Create || !local || !gitstore.Creatable(dir) {
		return nil
	}
	if l.opt.DryRun {
		return &UsageError{x.far.URL + " is not there yet, so there is nothing to compare with", "without --dry-run it is made, and everything is sent to it"}
	}
	return gitstore.InitBare(dir)
}

// exchanged says which refs go over the wire in either direction. For a peer
// nothing but the units named for it and their seals, whatever else is written
// anywhere.
func (x *exchange) exchanged(ref string) bool {
	unit, isUnit := strings.CutPrefix(ref, unitRefs)
	seal, isSeal := strings.CutPrefix(ref, tagRefs)
	if isUnit = isUnit && proof.IsUnit(unit); isSeal {
		m := proof.SealForm.FindStringSubmatch(seal)
		if isSeal = m != nil; isSeal {
			unit = m[1]
		}
	}
	if x.out.Role != schema.RemoteOwn {
		return (isUnit || isSeal) && slices.Contains(x.remote.Units, unit)
	}
	return isUnit || isSeal || ref == mainRef
}

// round is one fetch, merge and push.
func (x *exchange) round(ctx context.Context) error {
	l := x.l
	refs, err := x.far.Refs(ctx)
	if err != nil {
		return err
	}
	x.there = map[string]object.Hash{}
	var want []object.Hash
	here, err := x.here()
	if err != nil {
		return err
	}
	for name, h := range refs {
		if !x.exchanged(name) {
			continue
		}
		x.there[name] = h
		if here[name] == h {
			continue
		}
		if has, err := l.repo.Has(h); err != nil {
			return err
		} else if has && l.repo.Whole([]object.Hash{h}, present(here[name], here[mainRef])) == nil {
			continue
		}
		want = append(want, h)
	}
	got := &gitstore.Received{}
	if len(want) > 0 {
		slices.SortFunc(want, func(a, b object.Hash) int { return slices.Compare(a[:], b[:]) })
		have, err := x.haves(here)
		if err != nil {
			return err
		}
		if got, err = x.far.Fetch(ctx, slices.Compact(want), have); err != nil {
			return err
		}
		x.out.Fetched += got.Objects
	}
	if err := l.step("fetched"); err != nil {
		return err
	}
	if err := x.merge(got); err != nil {
		return err
	}
	if err := l.step("merged"); err != nil || l.opt.DryRun {
		return err
	}
	return x.push(ctx)
}

// here are our own refs of what is exchanged.
func (x *exchange) here() (map[string]object.Hash, error) {
	out := map[string]object.Hash{}
	for _, prefix := range []string{mainRef, unitRefs, tagRefs + sealTags} {
		refs, err := x.l.repo.Refs(prefix)
		if err != nil {
			return nil, err
		}
		for name, h := range refs {
			if x.exchanged(name) {
				out[name] = h
			}
		}
	}
	return out, nil
}

// present are those of some hashes that are any.
func present(list ...object.Hash) []object.Hash {
	return slices.DeleteFunc(list, object.Hash.IsZero)
}

// haves name commits the remote may know: the last ones of what differs.
func (x *exchange) haves(here map[string]object.Hash) ([]object.Hash, error) {
	const back = 64
	set := map[object.Hash]bool{}
	for name, h := range here {
		switch {
		case strings.HasPrefix(name, tagRefs), x.there[name] == h && name != mainRef:
			continue
		case x.there[name] == h:
			set[h] = true
			continue
		}
		n := 0
		for c, err := range x.l.repo.Log(h) {
			if err != nil {
				return nil, err
			}
			if set[c.Hash] = true; n >= back {
				break
			}
			n++
		}
	}
	return slices.Collect(maps.Keys(set)), nil
}

// merge takes in what came, as one step: units' branches, seals, main and the
// work tree.
func (x *exchange) merge(got *gitstore.Received) error {
	l := x.l
	return l.withLock(func(tx *gitstore.Tx) error {
		if err := l.writable(); err != nil {
			return err
		}
		if err := tx.Store(got); err != nil {
			return err
		}
		here, err := x.here()
		if err != nil {
			return err
		}
		var fresh []object.Hash
		known := present(here[mainRef])
		for name, h := range x.there {
			if here[name] != h {
				fresh = append(fresh, h)
				known = append(known, present(here[name])...)
			}
		}
		// Nothing is moved to what is not whole.
		if err := l.repo.Whole(fresh, known); err != nil {
			return &gitstore.RemoteError{URL: x.far.URL, What: "taking in what it has", Err: err,
				Remedy: "the repository there is damaged: run git fsck on it, and bring it back from a backup or push to it anew from a whole copy"}
		}
		x.out.HeldBack = []HeldBack{} // of an earlier round
		m := &merging{l: l, tx: tx, at: x.far.URL, ours: side{main: here[mainRef], units: map[string]object.Hash{}}, theirs: side{main: x.there[mainRef], units: map[string]object.Hash{}}}
		if x.out.Role != schema.RemoteOwn {
			if m.ours.main, _, err = l.mainTree(); err != nil {
				return err
			}
		}
		for name, h := range here {
			if u, ok := strings.CutPrefix(name, unitRefs); ok {
				m.ours.units[u] = h
			}
		}
		for name, h := range x.there {
			u, ok := strings.CutPrefix(name, unitRefs)
			if !ok {
				continue
			}
			if held, err := x.incoming(u, m.ours.units[u], h); err != nil {
				return err
			} else if !held {
				m.theirs.units[u] = h
			}
		}
		for _, u := range x.remote.Units {
			if _, err := l.root.Stat(unitDir(u)); errors.Is(err, fs.ErrNotExist) && x.out.Role != schema.RemoteOwn && x.there[unitRef(u)].IsZero() {
				x.out.HeldBack = append(x.out.HeldBack, HeldBack{u, "neither this ledger nor the peer has a unit of that name", "look at the name in shop.toml: benchlore list has them all"})
			}
		}
		return x.take(tx, m, here)
	})
}

// incoming looks through a unit's branch before it is taken in. From a peer,
// what is wrong holds the unit back; from an own server it stops everything,
// since main there stands on it.
func (x *exchange) incoming(unit string, ours, theirs object.Hash) (held bool, err error) {
	l := x.l
	if ours == theirs {
		return false, nil
	}
	if ok, err := l.repo.IsAncestor(theirs, ours); !ours.IsZero() && (err != nil || ok) {
		return false, err
	}
	hold := func(why, remedy string) (bool, error) {
		if x.out.Role == schema.RemoteOwn {
			return false, &UsageError{fmt.Sprintf("%s at %s: %s; nothing was taken in", unit, x.far.URL, why), remedy}
		}
		x.out.HeldBack = append(x.out.HeldBack, HeldBack{unit, why, remedy})
		return true, nil
	}
	objects, err := proof.Reach(l.objects(), object.Hash(theirs))
	if err != nil {
		return hold(err.Error(), "have the branch there put back where it was")
	}
	v := proof.LookAt(objects, object.Hash(theirs))
	for _, f := range v.Flaws {
		if !f.Warning {
			return hold(fmt.Sprintf("its history is not one of a unit: %s: %s", f.Place, f.What), "have the branch there put back where it was: git push --force REMOTE GOODCOMMIT:"+unitRef(unit))
		}
	}
	if x.out.Role == schema.RemoteOwn {
		return false, nil
	}
	if ours.IsZero() {
		return hold("the peer has it and this ledger does not", "ask for its packet and adopt it: benchlore adopt PACKET")
	}
	a, err := (&merging{l: l}).unitID(ours)
	if err != nil {
		return false, err
	}
	if v.UUID != a {
		return hold(fmt.Sprintf("it is another instrument there, %s", v.UUID), "one of the two needs another name")
	}
	trust, err := l.Trust()
	if err != nil {
		return false, err
	}
	ahead, err := l.repo.Ahead([]object.Hash{theirs}, []object.Hash{ours})
	if err != nil {
		return false, err
	}
	for _, c := range ahead {
		raw, err := gitobj.ReadCommit(objects, object.Hash(c.Hash))
		if err != nil {
			return false, err
		}
		key, err := raw.Key()
		if err != nil || key == nil {
			return hold(fmt.Sprintf("commit %.10s there is not signed", c.Hash), "a peer's work is taken in signed only: have it signed there")
		}
		if standing, why := trust.Judge(key, "git", raw.Committed, l.opt.Now()); standing != proof.KeyTrusted {
			return hold(strings.TrimSpace(fmt.Sprintf("commit %.10s there is signed by %s, which is %s %s", c.Hash, gitobj.Fingerprint(key), standing, why)),
				"once you know whose key that is: benchlore keys add MAIL-ADDRESS KEY")
		}
	}
	return false, nil
}

// take merges and moves the refs.
func (x *exchange) take(tx *gitstore.Tx, m *merging, here map[string]object.Hash) error {
	l := x.l
	committer, _, err := l.idents()
	if err != nil {
		return err
	}
	m.by = committer
	m.signer = l.unitSigner
	m.seals = map[string]object.Hash{}
	for name, h := range x.there {
		if strings.HasPrefix(name, tagRefs) {
			m.seals[name] = h
		}
	}
	var refs []gitstore.RefUpdate
	var seals []string
	for name, h := range x.there {
		seal, ok := strings.CutPrefix(name, tagRefs)
		if !ok {
			continue
		}
		switch have := here[name]; {
		case have == h:
		case !have.IsZero():
			return &UsageError{fmt.Sprintf("the seal %s is another one here than at %s", seal, x.far.URL), "a seal is never moved: compare the two with git cat-file tag, and take out the one that is not whole"}
		default:
			if _, err := readSeal(l.repo, seal, h); err != nil {
				if x.out.Role == schema.RemoteOwn {
					return err
				}
				x.out.HeldBack = append(x.out.HeldBack, HeldBack{seal, err.Error(), "it is no seal; have it taken out there"})
				continue
			}
			if x.out.Role != schema.RemoteOwn {
				// Only on a history that was taken in.
				tag, err := l.repo.Tag(h)
				if err != nil {
					return err
				}
				unit := proof.SealForm.FindStringSubmatch(seal)[1]
				head, ok := m.theirs.units[unit]
				if !ok {
					continue
				}
				if on, err := l.repo.IsAncestor(tag.Target, head); err != nil {
					return err
				} else if !on {
					continue
				}
			}
			refs = append(refs, gitstore.RefUpdate{Name: name, New: h})
			seals = append(seals, seal)
		}
	}
	if !m.ours.main.IsZero() && !m.theirs.main.IsZero() {
		if bases, err := l.repo.MergeBases([]object.Hash{m.ours.main}, []object.Hash{m.theirs.main}); err != nil {
			return err
		} else if len(bases) == 0 {
			return &UsageError{fmt.Sprintf("%s holds another ledger: it has no beginning in common with this one", x.far.URL),
				"a second bench begins with a copy: benchlore join " + x.far.URL + " DIR"}
		}
	}
	out, err := m.run()
	if err != nil {
		return err
	}
	commit, err := x.commit(tx, m, out)
	if err != nil {
		return err
	}
	if err := x.readable(m, out); err != nil {
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(out.units)) {
		if out.units[name] != m.ours.units[name] {
			refs = append(refs, gitstore.RefUpdate{Name: unitRef(name), Old: m.ours.units[name], New: out.units[name]})
		}
	}
	if commit != m.ours.main {
		refs = append(refs, gitstore.RefUpdate{Name: mainRef, Old: m.ours.main, New: commit})
	}
	if x.out.Role == schema.RemoteOwn {
		for _, c := range out.conflicts {
			p := conflictPath(c.path, c.blob)
			if !slices.Contains(x.out.Conflicts, p) {
				x.out.Conflicts = append(x.out.Conflicts, p)
			}
		}
	} else {
		for _, c := range out.conflicts {
			x.out.Conflicts = append(x.out.Conflicts, conflictPath(c.path, c.blob))
		}
	}
	x.out.Renamed = out.renamed
	x.anew = out.anew
	for _, u := range out.touched {
		if !slices.Contains(x.out.Units, u) {
			x.out.Units = append(x.out.Units, u)
		}
	}
	x.out.Seals = append(x.out.Seals, seals...)
	if l.opt.DryRun || len(refs) == 0 {
		return nil
	}
	if commit != m.ours.main {
		x.out.Commit = commit.String()
	}
	return tx.Commit(gitstore.Plan{Refs: refs, Reason: "benchlore: sync " + x.remote.Name})
}

// commit is main's head after the merge: one of the two, where nothing but
// that is needed.
func (x *exchange) commit(tx *gitstore.Tx, m *merging, out *merged) (object.Hash, error) {
	l := x.l
	ours, theirs := m.ours.main, m.theirs.main
	oursTree, err := l.branchTree(ours)
	if err != nil {
		return ours, err
	}
	parents := []object.Hash{ours}
	switch {
	case theirs.IsZero() || theirs == ours:
		if out.tree == oursTree {
			return ours, nil
		}
	default:
		bases, err := l.repo.MergeBases([]object.Hash{ours}, []object.Hash{theirs})
		if err != nil {
			return ours, err
		}
		theirsTree, err := l.branchTree(theirs)
		if err != nil {
			return ours, err
		}
		switch {
		case slices.Contains(bases, theirs):
			if out.tree == oursTree {
				return ours, nil
			}
		case slices.Contains(bases, ours):
			if out.tree == theirsTree {
				return theirs, nil
			}
			parents = []object.Hash{theirs}
		default:
			parents = []object.Hash{ours, theirs}
		}
	}
	var trailers []trailer
	for _, name := range slices.Sorted(maps.Keys(out.units)) {
		trailers = append(trailers, trailer{headTrailer, name + " " + out.units[name].String()})
	}
	sign, err := l.mainSigner()
	if err != nil {
		return ours, err
	}
	x.out.Subject = "sync with " + x.remote.Name
	return tx.WriteCommit(gitstore.CommitSpec{Tree: out.tree, Parents: parents, Author: m.by, Committer: m.by, Sign: sign,
		Message: message(x.out.Subject, trailers)})
}

// readable refuses to take in files that cannot be read as what they are named
// for: afterwards no command could.
func (x *exchange) readable(m *merging, out *merged) error {
	l := x.l
	old, err := l.branchTree(m.ours.main)
	if err != nil {
		return err
	}
	diff, err := l.repo.DiffTrees(old, out.tree)
	if err != nil {
		return err
	}
	var refused []schema.Problem
	for _, d := range diff {
		if strings.HasPrefix(d.Path, "private/") && !d.New.Hash.IsZero() {
			refused = append(refused, schema.Problem{File: d.Path, Severity: schema.Unreadable, Message: "is in git at the other end: nobody in it can be forgotten any more",
				Write: "take it out there: git rm --cached " + d.Path})
			continue
		}
		if d.New.Hash.IsZero() || !belongs(d.Path) || schema.ParsePath(d.Path).Is == schema.IsConflict ||
			!strings.HasSuffix(d.Path, ".toml") && d.Path != "signers" && d.Path != "revoked" {
			continue
		}
		data, err := l.repo.Blob(d.New.Hash)
		if err != nil {
			return err
		}
		if problems := l.checkFile(d.Path, data); schema.Worst(problems) == schema.Unreadable {
			refused = append(refused, problems...)
		}
	}
	if refused != nil {
		return &ProblemsError{"nothing was taken in from " + x.far.URL + ": correct this where it was written, push it from there, and sync again", refused}
	}
	for _, d := range diff {
		x.out.Files = append(x.out.Files, d.Path)
	}
	slices.Sort(x.out.Files)
	x.out.Files = slices.Compact(x.out.Files)
	return nil
}

// push sends what the remote does not have. Where it cannot take all of it as
// one step it gets the units first, then the seals, then main: so that main
// there never stands on what is not there.
func (x *exchange) push(ctx context.Context) error {
	l := x.l
	here, err := x.here()
	if err != nil {
		return err
	}
	if x.out.Role == schema.RemoteOwn {
		if tree, err := l.branchTree(here[mainRef]); err != nil {
			return err
		} else if _, ok, err := l.repo.TreeAt(tree, "private"); err != nil {
			return err
		} else if ok {
			return &UsageError{"private/ is in git here, so it would be sent", "take it out first: git rm -r --cached private, and commit; the history keeps it until it is rewritten"}
		}
	}
	var groups [3][]gitstore.RefUpdate
	for _, name := range slices.Sorted(maps.Keys(here)) {
		h := here[name]
		if !x.exchanged(name) || x.there[name] == h {
			continue
		}
		old := x.there[name]
		k := 0
		switch {
		case name == mainRef:
			k = 2
		case strings.HasPrefix(name, tagRefs):
			k = 1
			if !old.IsZero() {
				continue // never moved
			}
		}
		if k != 1 && !old.IsZero() && !x.anew[strings.TrimPrefix(name, unitRefs)] {
			// Only ever forward. What a peer has and was held back stays as it is.
			if ok, err := l.repo.IsAncestor(old, h); err != nil {
				return err
			} else if !ok {
				if x.out.Role == schema.RemoteOwn {
					return &gitstore.RefusedError{URL: x.far.URL, Refs: map[string]string{name: "it is at another commit by now"}, Another: true}
				}
				continue
			}
		}
		if x.out.Role != schema.RemoteOwn {
			if err := x.outgoing(name, h); err != nil {
				return err
			}
		}
		groups[k] = append(groups[k], gitstore.RefUpdate{Name: name, Old: old, New: h})
	}
	known := present(x.there[mainRef])
	for _, u := range slices.Concat(groups[:]...) {
		known = append(known, present(u.Old)...)
	}
	for _, h := range known {
		if has, err := l.repo.Has(h); err != nil {
			return err
		} else if !has {
			known = nil // a peer's, held back
			break
		}
	}
	x.far.Between = func() error { return l.step("pushed a part") }
	done, err := x.far.Push(ctx, groups[:], known)
	for _, u := range done {
		if !slices.Contains(x.out.Pushed, u.Name) {
			x.out.Pushed = append(x.out.Pushed, u.Name)
		}
	}
	return err
}

// outgoing makes sure that what goes to a peer is a unit's own history.
func (x *exchange) outgoing(ref string, h object.Hash) error {
	unit, isUnit := strings.CutPrefix(ref, unitRefs)
	if !isUnit {
		s, err := readSeal(x.l.repo, strings.TrimPrefix(ref, tagRefs), h)
		if err != nil {
			return err
		}
		unit, h = s.Statement.Unit, object.NewHash(s.Statement.Head)
	}
	objects, err := proof.Reach(x.l.objects(), object.Hash(h))
	if err != nil {
		return err
	}
	v := proof.LookAt(objects, object.Hash(h))
	for _, f := range v.Flaws {
		if !f.Warning {
			return &UsageError{fmt.Sprintf("%s does not go to %s: its history holds what is not the unit's: %s: %s", ref, x.remote.Name, f.Place, f.What),
				"somebody put it there by hand; run: benchlore check " + unit}
		}
	}
	return nil
}

// look checks the units that changed here.
func (x *exchange) look() error {
	l := x.l
	if l.opt.DryRun || len(x.out.Units) == 0 {
		return nil
	}
	stock, err := l.Catalog()
	if err != nil {
		return err
	}
	for _, u := range x.out.Units {
		if fi, err := l.root.Stat(unitDir(u)); err != nil || !fi.IsDir() {
			continue
		}
		loaded, err := l.Unit(u, stock)
		if err != nil {
			return err
		}
		for _, p := range loaded.Problems {
			if p.Severity > schema.Warned {
				x.out.Problems = append(x.out.Problems, p)
			}
		}
	}
	slices.Sort(x.out.Units)
	return nil
}

// Clone copies a ledger from an own server into dir, which must not be there or
// be empty: main, every unit's branch, every seal. On failure nothing stays.
func Join(ctx context.Context, url, dir string, opt Options) (*Ledger, error) {
	opt.defaults()
	if _, local := gitstore.LocalRemote(url); local {
		if abs, err := filepath.Abs(url); err == nil && !strings.Contains(url, "://") {
			url = abs
		}
	}
	return populate(ctx, dir, opt, unfinished{What: "join", From: url}, func(r *gitstore.Repo) (map[string]object.Hash, *gitstore.Received, error) {
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

// unfinishedFile is in the folder of a ledger that is not all there yet. It is written
// before anything else, and removed when everything else is on the disk.
const unfinishedFile = ".benchlore-unfinished"

// unfinished is what the file says.
type unfinished struct {
	What string `toml:"what"` // the command: "restore" or "join"
	From string `toml:"from"` // the backup, or the address
}

func (u unfinished) encode() []byte {
	return fmt.Appendf(nil, "# This ledger is not all here yet. Run the command again: it goes on.\nwhat = %s\nfrom = %s\n", proof.Quote(u.What), proof.Quote(u.From))
}

// UnfinishedError says that a ledger is not all there: the command that was to bring
// it was killed, or the power went.
type UnfinishedError struct {
	Dir        string
	What, From string // "" where the note about them cannot be read
}

func (e *UnfinishedError) Error() string {
	return fmt.Sprintf("%s is not finished in %s: run it again", cmp.Or(e.What, "restore or join"), e.Dir)
}

// Hint names the next step.
func (e *UnfinishedError) Hint() string {
	if e.What == "" {
		return "it goes on where it was stopped"
	}
	return "benchlore " + shellquote.Join(e.What, e.From, e.Dir)
}

// unfinishedIn returns what was begun in a folder and not finished; nil for nothing.
func unfinishedIn(dir string) *UnfinishedError {
	data, err := os.ReadFile(filepath.Join(dir, unfinishedFile))
	if err != nil {
		return nil
	}
	var u unfinished
	if proof.StrictTOML("note of what was begun", 1<<16, data, &u) != nil {
		u = unfinished{} // the power went while it was written
	}
	return &UnfinishedError{dir, u.What, u.From}
}

// begin makes the folder for a ledger and notes what is begun in it. It reports
// whether that goes on with what was begun before, and how to take it back.
func (u unfinished) begin(dir string, sync bool) (again bool, undo func(), err error) {
	undo = func() {}
	entries, err := os.ReadDir(dir)
	fresh := err != nil
	if begun := unfinishedIn(dir); begun != nil {
		if begun.What != "" && (begun.What != u.What || begun.From != u.From) {
			return false, undo, begun
		}
		again = true // nothing is taken back: somebody may have put something beside it
	} else if slices.ContainsFunc(entries, func(e fs.DirEntry) bool { return !gitstore.Unborn(e.Name()) }) {
		return false, undo, &UsageError{fmt.Sprintf("%s is there already and is not empty", dir), "choose another folder"}
	} else {
		undo = func() {
			if fresh {
				os.RemoveAll(dir)
				return
			}
			entries, _ := os.ReadDir(dir)
			for _, e := range entries {
				os.RemoveAll(filepath.Join(dir, e.Name()))
			}
		}
	}
	if err := gitstore.MakeDir(dir, 0o777, sync); err != nil {
		return again, undo, &gitstore.WriteError{Path: dir, Err: err}
	}
	name := filepath.Join(dir, unfinishedFile)
	if err := writeDurable(name, bytes.NewReader(u.encode()), 0o666, sync); err != nil {
		return again, undo, &gitstore.WriteError{Path: name, Err: err}
	}
	return again, undo, nil
}

// writeDurable writes a file, over one that is there. With sync, it is there with its
// name after a power cut too.
func writeDurable(name string, from io.Reader, perm os.FileMode, sync bool) error {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, perm)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, from)
	if err == nil && sync {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil && sync {
		err = gitstore.SyncDir(filepath.Dir(name))
	}
	return err
}

// end removes the note: everything is on the disk.
func (u unfinished) end(dir string, sync bool) error {
	name := filepath.Join(dir, unfinishedFile)
	err := os.Remove(name)
	if err == nil && sync {
		err = gitstore.SyncDir(dir)
	}
	if err != nil {
		return &gitstore.WriteError{Path: name, Err: err}
	}
	return nil
}

// source brings objects into a repository, and says where its refs are to be.
type source func(*gitstore.Repo) (map[string]object.Hash, *gitstore.Received, error)

// populate makes a ledger in dir of objects and refs from elsewhere, and of what
// then, where it is given, adds. On failure, or when ctx ends, nothing stays. Where the
// program was killed, the same command goes on.
func populate(ctx context.Context, dir string, opt Options, u unfinished, from source, then func(*Ledger) error) (_ *Ledger, err error) {
	dir, err = filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	var repo *gitstore.Repo
	again, undo, err := u.begin(dir, !opt.NoSync)
	defer func() {
		if repo != nil {
			repo.Close()
		}
		if err != nil {
			undo()
		}
	}()
	if err != nil {
		return nil, err
	}
	if again {
		if repo, err = gitstore.Open(dir, Program); err != nil && !errors.As(err, new(*gitstore.NotRepositoryError)) {
			return nil, err
		}
	}
	if repo == nil {
		if repo, err = gitstore.Init(dir, gitstore.InitOptions{NoSync: opt.NoSync, Nested: opt.nested, Program: Program}); err != nil {
			return nil, err
		}
	}
	repo.NoSync = opt.NoSync
	refs, tx, err := take(ctx, repo, opt, from)
	if err != nil {
		return nil, err
	}
	defer tx.Rollback()
	plan := gitstore.Plan{Reason: "benchlore: copied"}
	for _, name := range slices.Sorted(maps.Keys(refs)) {
		old, _, err := repo.Ref(name) // none, unless this goes on
		if err != nil {
			return nil, err
		}
		plan.Refs = append(plan.Refs, gitstore.RefUpdate{Name: name, Old: old, New: refs[name]})
	}
	if err := tx.Commit(plan); err != nil {
		return nil, err
	}
	if err := gitstore.MakeDir(filepath.Join(dir, "private"), 0o700, !opt.NoSync); err != nil {
		return nil, err
	}
	opening := opt
	opening.unfinished = true
	l, err := Open(dir, opening)
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
	if err == nil {
		err = u.end(dir, !opt.NoSync)
	}
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// take brings objects into a repository, and finds that they are whole. The
// transaction is to be ended.
func take(ctx context.Context, repo *gitstore.Repo, opt Options, from source) (map[string]object.Hash, *gitstore.Tx, error) {
	refs, got, err := from(repo)
	if err == nil {
		err = ctx.Err()
	}
	if err != nil {
		return nil, nil, err
	}
	tx, err := repo.Lock(ctx, opt.Wait)
	if err != nil {
		return nil, nil, err
	}
	if err := tx.Store(got); err != nil {
		tx.Rollback()
		return nil, nil, err
	}
	if err := repo.Whole(slices.Collect(maps.Values(refs)), nil); err != nil {
		tx.Rollback()
		return nil, nil, fmt.Errorf("what came is not whole: %w", err)
	}
	return refs, tx, nil
}
