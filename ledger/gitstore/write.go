package gitstore

import (
	"bytes"
	"compress/zlib"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"github.com/go-git/go-git/v5/plumbing/format/objfile"

	"benchlore/ledger/gitstore/config"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/sshkey"
)

// pendingObject is an object of the running transaction that lies in a
// temporary file until flush.
type pendingObject struct {
	typ  object.Type
	data []byte
}

type pendingSet struct {
	files []pendingFile
	known []string // loose objects that were there already and are relied upon
	bytes int
}

type pendingFile struct {
	hash object.Hash
	tmp  string
}

// flushAt bounds the memory that unwritten objects take.
const flushAt = 16 << 20

// Ident says who and when, as a commit or tag does. The zone of When is kept.
type Ident = object.Ident

// CommitSpec is what a commit is made of. The same spec gives the same hash,
// unless it is signed with a key type whose signatures are random.
type CommitSpec struct {
	Tree              object.Hash
	Parents           []object.Hash
	Author, Committer Ident
	Message           string        // a final newline is added when missing
	Sign              sshkey.Signer // nil: unsigned
}

// TagSpec is what an annotated tag is made of.
type TagSpec struct {
	Object  object.Hash
	Type    object.Type // of Object
	Name    string      // without refs/tags/
	Tagger  Ident
	Message string
	Sign    sshkey.Signer
}

// WriteBlob stores data as a blob.
func (tx *Tx) WriteBlob(data []byte) (object.Hash, error) {
	return tx.WriteObject(object.TypeBlob, data)
}

// WriteTree stores a tree, sorting the entries as git does. Empty, doubled and
// slashed names are refused.
func (tx *Tx) WriteTree(entries []object.TreeEntry) (object.Hash, error) {
	data, err := encodeTree(entries)
	if err != nil {
		return object.ZeroHash, err
	}
	return tx.WriteObject(object.TypeTree, data)
}

// WriteCommit stores a commit. A signature is an SSHSIG in namespace "git"
// over the commit without its gpgsig header, as `git commit -S` makes it.
func (tx *Tx) WriteCommit(c CommitSpec) (object.Hash, error) {
	message, err := cleanMessage(c.Message)
	if err != nil {
		return object.ZeroHash, err
	}
	author, err := encodeIdent(c.Author)
	if err != nil {
		return object.ZeroHash, err
	}
	committer, err := encodeIdent(c.Committer)
	if err != nil {
		return object.ZeroHash, err
	}
	var head strings.Builder
	fmt.Fprintf(&head, "tree %s\n", c.Tree)
	for _, p := range c.Parents {
		fmt.Fprintf(&head, "parent %s\n", p)
	}
	fmt.Fprintf(&head, "author %s\ncommitter %s\n", author, committer)
	data := []byte(head.String() + "\n" + message)
	if c.Sign != nil {
		sig, err := c.Sign.Sign("git", data)
		if err != nil {
			return object.ZeroHash, err
		}
		lines := strings.Split(strings.TrimRight(string(sig), "\n"), "\n")
		data = []byte(head.String() + "gpgsig " + strings.Join(lines, "\n ") + "\n\n" + message)
	}
	return tx.WriteObject(object.TypeCommit, data)
}

// WriteTag stores an annotated tag object; a ref to it is moved by Commit.
func (tx *Tx) WriteTag(t TagSpec) (object.Hash, error) {
	message, err := cleanMessage(t.Message)
	if err != nil {
		return object.ZeroHash, err
	}
	if err := checkRefName("refs/tags/" + t.Name); err != nil {
		return object.ZeroHash, err
	}
	tagger, err := encodeIdent(t.Tagger)
	if err != nil {
		return object.ZeroHash, err
	}
	data := fmt.Appendf(nil, "object %s\ntype %s\ntag %s\ntagger %s\n\n%s", t.Object, t.Type, t.Name, tagger, message)
	if t.Sign != nil {
		sig, err := t.Sign.Sign("git", data)
		if err != nil {
			return object.ZeroHash, err
		}
		data = append(data, sig...)
	}
	return tx.WriteObject(object.TypeTag, data)
}

func cleanMessage(m string) (string, error) {
	if !utf8.ValidString(m) || strings.ContainsRune(m, 0) {
		return "", errors.New("a commit message must be UTF-8 without zero bytes")
	}
	if strings.TrimSpace(m) == "" {
		return "", errors.New("a commit message must not be empty")
	}
	return strings.TrimRight(m, "\n") + "\n", nil
}

// encodeIdent drops what would break the header line, as git does.
func encodeIdent(i Ident) (string, error) {
	clean := func(s string) string {
		s = strings.Map(func(c rune) rune {
			if c == '\n' || c == '<' || c == '>' || c == 0 {
				return -1
			}
			return c
		}, s)
		return strings.TrimFunc(s, func(c rune) bool {
			return c <= ' ' || strings.ContainsRune(".,:;\"\\'", c)
		})
	}
	name, email := clean(i.Name), clean(i.Email)
	if name == "" {
		return "", &config.IdentityError{Missing: "user.name"}
	}
	if i.When.Unix() < 0 {
		return "", fmt.Errorf("the date %s is before 1970, which git cannot hold; set the clock of this computer", i.When.Format(time.DateOnly))
	}
	return fmt.Sprintf("%s <%s> %d %s", name, email, i.When.Unix(), i.When.Format("-0700")), nil
}

// WriteObject stores any object from its bytes, which are not checked to be
// well formed. The bytes must not be changed afterwards. Nothing refers to the
// object until Commit, which makes it durable.
func (tx *Tx) WriteObject(t object.Type, data []byte) (object.Hash, error) {
	if tx.done {
		return object.ZeroHash, errTxDone
	}
	r := tx.repo
	h := object.Sum(t, data)
	r.mu.Lock()
	_, known := r.pending[h]
	r.mu.Unlock()
	if known {
		return h, nil
	}
	loose := r.looseFile(h)
	if sameLoose(loose, h) {
		// A new date keeps git gc from deleting it as old.
		now := time.Now()
		os.Chtimes(loose, now, now)
		tx.pending.known = append(tx.pending.known, loose)
		return h, nil
	}
	if !fileExists(loose) && r.inPack(h) {
		return h, nil
	}
	tmp := filepath.Join(r.tmpDir(), "object-"+h.String())
	if err := writeLoose(tmp, t, data); err != nil {
		os.Remove(tmp)
		return object.ZeroHash, &WriteError{tmp, err}
	}
	tx.pending.files = append(tx.pending.files, pendingFile{h, tmp})
	tx.pending.bytes += len(data)
	r.mu.Lock()
	r.pending[h] = pendingObject{t, data}
	r.mu.Unlock()
	if tx.pending.bytes > flushAt {
		return h, tx.flush()
	}
	return h, nil
}

// inPack reports whether a pack known since Lock holds an object. It gives the pack
// today's date, since git may be about to delete old objects that nothing refers to.
// A pack does not count if it is gone, if its date cannot be changed, or if it is a
// cruft pack. A wrong "no" only costs a second copy.
func (r *Repo) inPack(h object.Hash) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	for p := range r.packsWith(h) {
		stem, now := strings.TrimSuffix(p.name, ".idx"), time.Now()
		if !cruft(stem) && os.Chtimes(stem+".pack", now, now) == nil {
			return true
		}
	}
	return false
}

var errTxDone = errors.New("gitstore: transaction used after Commit or Rollback")

func fileExists(name string) bool {
	_, err := os.Lstat(name)
	return err == nil
}

func (r *Repo) looseFile(h object.Hash) string {
	s := h.String()
	return filepath.Join(r.GitDir, "objects", s[:2], s[2:])
}

// sameLoose reports whether a loose object exists and is whole: after a power loss
// its file may be empty.
func sameLoose(name string, h object.Hash) bool {
	f, err := os.Open(name)
	if err != nil {
		return false
	}
	defer f.Close()
	rd, err := objfile.NewReader(f)
	if err != nil {
		return false
	}
	defer rd.Close()
	t, _, err := rd.Header()
	if err != nil {
		return false
	}
	var b bytes.Buffer
	if _, err := b.ReadFrom(rd); err != nil {
		return false
	}
	return object.Sum(object.Type(t), b.Bytes()) == h
}

// deflaters are reused: a new one takes more than a megabyte.
var deflaters = sync.Pool{New: func() any {
	z, err := zlib.NewWriterLevel(io.Discard, zlib.BestSpeed)
	if err != nil {
		panic(err) // the level is one zlib has
	}
	return z
}}

func writeLoose(name string, t object.Type, data []byte) error {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o666)
	if err != nil {
		return err
	}
	z := deflaters.Get().(*zlib.Writer)
	defer deflaters.Put(z)
	z.Reset(f)
	_, err = fmt.Fprintf(z, "%s %d\x00", t, len(data))
	if err == nil {
		_, err = z.Write(data)
	}
	if err == nil {
		err = z.Close()
	}
	return errors.Join(err, f.Close())
}

// flush moves the written objects to their places and makes them durable.
func (tx *Tx) flush() error {
	r := tx.repo
	p := tx.pending
	tx.pending = pendingSet{}
	if err := inParallel(len(p.files), func(i int) error {
		f := p.files[i]
		if !r.NoSync {
			if err := syncWritten(f.tmp); err != nil {
				return &WriteError{f.tmp, err}
			}
		}
		return os.Chmod(f.tmp, 0o444)
	}); err != nil {
		return err
	}
	if err := r.step("objects written"); err != nil {
		return err
	}
	dirs := map[string]bool{}
	for _, f := range p.files {
		name := r.looseFile(f.hash)
		dir := filepath.Dir(name)
		for try := 0; ; try++ {
			if try > 0 || !dirs[dir] {
				if err := os.MkdirAll(dir, 0o777); err != nil {
					return &WriteError{dir, err}
				}
				dirs[dir] = true
			}
			err := r.rename(f.tmp, name)
			if err == nil {
				break
			}
			// A git that packs removes folders that are empty at that moment.
			if !errors.Is(err, fs.ErrNotExist) || try == 20 || !fileExists(f.tmp) {
				return &WriteError{name, err}
			}
		}
	}
	for _, name := range p.known {
		if fileExists(name) {
			dirs[filepath.Dir(name)] = true
		}
	}
	if err := r.step("objects named"); err != nil {
		return err
	}
	if !r.NoSync {
		if err := inParallel(len(p.known), func(i int) error {
			err := syncFile(p.known[i])
			if isAbsent(err) {
				return nil // packed in the meantime: a pack is durable before a loose object goes
			}
			return err
		}); err != nil {
			return &WriteError{r.GitDir, err}
		}
		if len(dirs) > 0 {
			dirs[filepath.Join(r.GitDir, "objects")] = true
		}
		if err := syncDirs(dirs); err != nil {
			return err
		}
	}
	r.mu.Lock()
	for _, f := range p.files {
		delete(r.pending, f.hash)
	}
	r.mu.Unlock()
	return r.step("objects durable")
}

// syncWritten makes a file of ours durable; Windows needs write access for it.
func syncWritten(name string) error {
	f, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

func syncDirs(dirs map[string]bool) error {
	names := make([]string, 0, len(dirs))
	for d := range dirs {
		names = append(names, d)
	}
	return inParallel(len(names), func(i int) error {
		// A missing folder was removed by a git that packed its objects.
		if err := syncDir(names[i]); err != nil && !isAbsent(err) {
			return &WriteError{names[i], err}
		}
		return nil
	})
}

// inParallel runs f for 0..n-1 on a few goroutines and returns the first error
// by index. File systems merge syncs that wait at the same time.
func inParallel(n int, f func(i int) error) error {
	const workers = 8
	errs := make([]error, n)
	var wg sync.WaitGroup
	next := make(chan int)
	for range min(n, workers) {
		wg.Go(func() {
			for i := range next {
				errs[i] = f(i)
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
