package ledger

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/proof/gitobj"
	"benchlore/schema"
)

// everything returns all objects of a repository as stock git decompresses
// them, reachable or not.
func everything(t testing.TB, dir string) string {
	t.Helper()
	var b strings.Builder
	for _, line := range strings.Split(git(t, dir, "cat-file", "--batch-all-objects", "--batch-check"), "\n") {
		f := strings.Fields(line)
		if len(f) == 3 {
			b.WriteString(git(t, dir, "cat-file", "-p", f[0]) + "\n")
		}
	}
	return b.String()
}

// TestPeerGetsNothingElse: canaries in everything a peer must not see, and a
// configuration that asks for it. Not one object of it crosses.
func TestPeerGetsNothingElse(t *testing.T) {
	w := newWorkshop(t)
	w.signWith(newKey(t, "ed25519"))
	w.unit("longwave-3/lw3-9001")
	w.job(lw)
	w.job("longwave-3/lw3-9001")
	w.add("longwave-3/lw3-9001", schema.KindNote, "title = \"canary-other-unit\"\n")
	w.edit("books/"+lw+"/2031-03-04-quote-7q3f.toml", []byte("kind = \"quote\"\ndate = 2031-03-04\nby = \"mw\"\nnote = \"canary-books\"\n"))
	w.edit("private/customers.toml", []byte("[[customer]]\ncode = \"c1\"\nname = \"canaryprivate\"\n"))
	w.edit("lots/lot-1.toml", []byte("family = \"capacitor/film\"\npart = {value = \"10 nF\"}\ndate = 2031-03-01\nquantity = 10\nnote = \"canary-lot\"\n"))
	bare := filepath.Join(t.TempDir(), "peer.git")
	git(t, ".", "init", "-q", "--bare", bare)
	w.remote("peer", bare, "peer", lw+"\", \"main")
	if _, err := w.Save(); err == nil {
		w = w.again()
		if _, err := w.Sync(context.Background(), w.Shop.Remotes[0], SyncOptions{}); err == nil {
			t.Fatal("a unit called main was taken for one")
		}
	}
	// What the configuration may not say is out; the rest stays in.
	text := strings.Replace(string(mustRead(t, w.Dir, "shop.toml")), "\", \"main", "", 1)
	w.edit("shop.toml", []byte(text+"# canary-shop\n"))
	w.save()
	w = w.again()
	w.close(lw)
	w.close("longwave-3/lw3-9001")
	w.add(lw, schema.KindNote, "title = \"canary-open\"\n") // not closed: stays here
	seal := ""
	git(t, w.Dir, "config", "remote.origin.push", "+refs/heads/*:refs/heads/*")
	git(t, w.Dir, "branch", "unit/canary", "main") // a hand-made branch
	for range 2 {
		r := w.sync()
		for _, ref := range r.Pushed {
			if ref != unitRef(lw) && ref != seal {
				t.Errorf("pushed %s", ref)
			}
		}
	}
	refs := git(t, bare, "for-each-ref", "--format=%(refname)")
	if refs != unitRef(lw) {
		t.Errorf("the peer has:\n%s", refs)
	}
	all := everything(t, bare)
	if !strings.Contains(all, "works = \"fully\"") {
		t.Error("the unit itself did not cross")
	}
	for _, canary := range []string{"canary", "lw3-9001", "Halden Street", "instruments", "books", "shop.toml"} {
		if strings.Contains(all, canary) {
			t.Errorf("%q crossed to the peer", canary)
		}
	}
	// One address as own and as peer is refused.
	w.remote("again", bare, "own", "")
	w.save()
	w = w.again()
	for _, r := range w.Shop.Remotes {
		var usage *UsageError
		if _, err := w.Sync(context.Background(), r, SyncOptions{}); r.Role == schema.RemoteOwn && !errors.As(err, &usage) {
			t.Errorf("%s: %v", r.Name, err)
		}
	}
	if got := git(t, bare, "for-each-ref", "--format=%(refname)"); got != unitRef(lw) {
		t.Errorf("the peer has:\n%s", got)
	}
}

// TestPeerUnitNobodyHas: a unit named for a peer that is nowhere, a slip of the
// pen, is told each time and not passed over; one that is only not closed yet is.
func TestPeerUnitNobodyHas(t *testing.T) {
	w := newWorkshop(t)
	bare := filepath.Join(t.TempDir(), "peer.git")
	git(t, ".", "init", "-q", "--bare", bare)
	w.unit("longwave-3/lw3-9001")
	w.remote("peer", bare, "peer", "longwave-3/lw3-9001\", \"longwave-3/lw3-9010")
	w.save()
	w = w.again()
	for range 2 {
		r := w.sync()
		if len(r.HeldBack) != 1 || r.HeldBack[0].Unit != "longwave-3/lw3-9010" || !strings.Contains(r.HeldBack[0].Why, "neither") {
			t.Errorf("held back: %+v", r.HeldBack)
		}
	}
}

// TestPeerHistoryWithMore: where somebody put main's files on a unit's branch
// by hand, it does not go to a peer.
func TestPeerHistoryWithMore(t *testing.T) {
	w := newWorkshop(t)
	w.job(lw)
	w.close(lw)
	bare := filepath.Join(t.TempDir(), "peer.git")
	git(t, ".", "init", "-q", "--bare", bare)
	w.remote("peer", bare, "peer", lw)
	w.save()
	tree := git(t, w.Dir, "rev-parse", "main^{tree}")
	c := git(t, w.Dir, "commit-tree", "-p", "unit/"+lw, "-m", "all of it", tree)
	git(t, w.Dir, "update-ref", unitRef(lw), c)
	w = w.again()
	if _, err := w.Sync(context.Background(), w.Shop.Remotes[0], SyncOptions{}); err == nil {
		t.Error("it went all the same")
	}
	if out := git(t, bare, "for-each-ref"); out != "" {
		t.Errorf("the peer has %s", out)
	}
}

// TestPeerExchange: two shops work on one unit. What a peer signs with a key
// that is accepted comes in, what nobody vouches for is held back.
func TestPeerExchange(t *testing.T) {
	key := newKey(t, "ed25519")
	o := newOffices(t, 2) // two benches of one shop stand in for two shops
	a, b := o.bench[0], o.bench[1]
	a.signWith(newKey(t, "ed25519"))
	b.signWith(key)
	a.job(lw)
	a.close(lw)
	o.settled()
	peer := filepath.Join(t.TempDir(), "peer.git")
	git(t, ".", "init", "-q", "--bare", peer)
	remote := schema.Remote{Name: "peer", URL: peer, Role: schema.RemotePeer, Units: []string{lw}}
	a.Shop.Remotes, b.Shop.Remotes = []schema.Remote{remote}, []schema.Remote{remote}
	a.sync()
	p := b.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n")
	b.close(lw)
	b.sync()
	if r := a.sync(); len(r.HeldBack) != 1 || r.HeldBack[0].Unit != lw || !strings.Contains(r.HeldBack[0].Remedy, "keys add") {
		t.Fatalf("held back: %+v", r.HeldBack)
	}
	if _, err := os.Stat(filepath.Join(a.Dir, filepath.FromSlash(p))); err == nil {
		t.Error("it was taken in unseen")
	}
	a.edit("signers", []byte("jory@halden-street.example "+gitobj.Authorized(key.PublicKey())+"\n"))
	a.save()
	if r := a.sync(); len(r.HeldBack) != 0 || len(r.Units) != 1 {
		t.Fatalf("%+v", r)
	}
	mustRead(t, a.Dir, p)
	a.inOrder()
	judge(t, a.Dir)
	// A unit the ledger does not have comes by packet, not by exchange.
	git(t, peer, "update-ref", "refs/heads/unit/longwave-3/lw3-7777", git(t, peer, "rev-parse", "unit/"+lw))
	remote.Units = append(remote.Units, "longwave-3/lw3-7777")
	a.Shop.Remotes = []schema.Remote{remote}
	if r := a.sync(); len(r.HeldBack) != 1 || !strings.Contains(r.HeldBack[0].Remedy, "adopt") {
		t.Errorf("held back: %+v", r.HeldBack)
	}
	var none *gitstore.MissingObject
	if _, err := a.Check(); errors.As(err, &none) {
		t.Error(err)
	}
}

// TestPeerSealsOfAnotherName: seals that came in under another name are of another
// unit by their tags, so a peer does not get them; the one who sends is told.
func TestPeerSealsOfAnotherName(t *testing.T) {
	shop := newKey(t, "ed25519")
	w := newWorkshop(t)
	w.signWith(shop)
	w.job(lw)
	w.close(lw)
	b := newBench(t, "Lindgate Organ Works", "Tove Ashgrove", newKey(t, "ed25519"))
	const as = "longwave-3/other"
	if _, err := b.Adopt(w.packet(lw), AdoptOptions{By: "mw", As: as, Verify: trusting(shop)}); err != nil {
		t.Fatal(err)
	}
	bare := filepath.Join(t.TempDir(), "peer.git")
	git(t, ".", "init", "-q", "--bare", bare)
	b.remote("peer", bare, "peer", as)
	b.save()
	b = b.again()
	r := b.sync()
	if kept := r.SealsKept[as]; len(kept) != 1 || !strings.HasPrefix(kept[0], sealTags+lw+"/1-") {
		t.Errorf("kept back: %v", r.SealsKept)
	}
	if refs := git(t, bare, "for-each-ref", "--format=%(refname)"); refs != unitRef(as) {
		t.Errorf("the peer has:\n%s", refs)
	}
}
