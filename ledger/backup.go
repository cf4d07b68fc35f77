package ledger

import (
	"archive/zip"
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/gofrs/flock"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/proof"
)

// A backup is one zip:
//
//	backup.toml     what is in it: when, of which ledger, every ref, the SHA-256 of every other file
//	ledger.bundle   every branch and tag with all they reach; stock git clone opens it
//	private/...     who the customer codes are, which is in no git repository
//	unsaved/...     hand edits that were not committed, as they stood
//	RESTORE.txt     how to get the ledger back, with Benchlore or with git alone
//
// Whoever is to be forgotten must be taken out of old backups as well.

// BackupManifest is backup.toml.
type BackupManifest struct {
	Format int               `toml:"format"`
	Kind   string            `toml:"kind"` // "backup"
	Shop   string            `toml:"shop"`
	Made   time.Time         `toml:"made"`
	Refs   map[string]string `toml:"refs"`
	Files  map[string]string `toml:"files"` // SHA-256 by name in the zip
	Gone   []string          `toml:"gone"`  // files deleted by hand and not committed
}

// Backup is a backup that was made, or read back.
type Backup struct {
	File    string    `json:"file"`
	Shop    string    `json:"shop"`
	Made    time.Time `json:"made"`
	Size    int64     `json:"size"`
	Refs    int       `json:"refs"`
	Objects int       `json:"objects"`
	Private int       `json:"privateFiles"`
	Unsaved int       `json:"unsavedFiles"`
	Drilled bool      `json:"drilled"` // restored and compared, file by file
	Newer   int       `json:"newer"`   // refs that have moved since
	Rotten  []string  `json:"rotten"`  // work files that are not as saved though they look it; the backup has what was saved
	Cleared []string  `json:"cleared"` // what killed backups had left, removed now
}

// BackupError is a backup that is not whole, or none at all.
type BackupError struct {
	File, What, Remedy string
}

func (e *BackupError) Error() string { return fmt.Sprintf("%s %s", e.File, e.What) }

// Hint names the next step.
func (e *BackupError) Hint() string { return e.Remedy }

// maxManifest bounds the backup.toml that is read, in bytes: it has a line for
// every ref and every private file.
const maxManifest = 64 << 20

// stopReader and stopWriter end a copy when ctx ends.
type stopReader struct {
	ctx context.Context
	r   io.Reader
}

func (s stopReader) Read(b []byte) (int, error) {
	if err := s.ctx.Err(); err != nil {
		return 0, err
	}
	return s.r.Read(b)
}

type stopWriter struct {
	ctx context.Context
	w   io.Writer
}

func (s stopWriter) Write(b []byte) (int, error) {
	if err := s.ctx.Err(); err != nil {
		return 0, err
	}
	return s.w.Write(b)
}

// BackupOptions are what somebody decided about a backup.
type BackupOptions struct {
	Drill bool // restore it into a temporary folder and compare it, file by file
}

// backupNote remembers the last backup. It is this copy's own affair.
const backupNote = ".git/benchlore/backup.toml"

// backupFile finds the name for a backup: to itself where it is named as a
// file, else a dated one in the folder to.
func (l *Ledger) backupFile(to string) (string, error) {
	info, err := os.Stat(to)
	if err == nil && info.IsDir() {
		return filepath.Join(to, fmt.Sprintf("%s-%s.zip", cmp.Or(slugOf(l.Shop.Name), "ledger"), l.opt.Now().Format("2006-01-02-150405"))), nil
	}
	if !strings.EqualFold(filepath.Ext(to), ".zip") {
		return "", &UsageError{fmt.Sprintf("there is no folder %s", to), "make it first, or name the file of the backup: it ends in .zip"}
	}
	return to, nil
}

// Backup writes everything there is into one file, durable, under its final
// name only once it has been read back and found whole. Where ctx ends first, no
// file stays.
func (l *Ledger) Backup(ctx context.Context, to string, o BackupOptions) (Backup, error) {
	name, err := l.backupFile(to)
	if err != nil {
		return Backup{}, err
	}
	if name, err = filepath.Abs(name); err != nil {
		return Backup{}, err
	}
	if gitstore.Inside(l.Dir, name) {
		return Backup{}, &UsageError{"a backup inside the ledger is lost with it", "name a folder on another disk"}
	}
	if !replaceable(name) {
		return Backup{}, &UsageError{fmt.Sprintf("%s is there already and is no backup", name), "name another file, or the folder alone"}
	}
	if l.repo.Shallow || l.repo.Partial {
		return Backup{}, &UsageError{"this copy has only part of the history, so a backup of it would not be whole", "fetch the rest: git fetch --unshallow"}
	}
	if l.opt.DryRun {
		return Backup{File: name, Shop: l.Shop.Name, Made: l.opt.Now()}, nil
	}
	cleared, err := l.clearBackups(filepath.Dir(name))
	if err != nil {
		return Backup{Cleared: cleared}, err
	}
	tmp, held, err := newHeld(filepath.Dir(name))
	if err != nil {
		return Backup{}, &gitstore.WriteError{Path: name, Err: err}
	}
	defer held.Close()
	defer os.Remove(tmp.Name())
	var rotten []string
	// Nobody writes meanwhile: refs and files belong together.
	err = l.withLock(func(*gitstore.Tx) error {
		if rotten, err = l.repo.Rotten(); err != nil {
			return err
		}
		return l.writeBackup(stopWriter{ctx, tmp})
	})
	if err == nil {
		err = tmp.Sync()
	}
	err = errors.Join(err, tmp.Close())
	var usage *UsageError
	if errors.As(err, &usage) {
		return Backup{}, usage
	}
	if err != nil {
		return Backup{}, &gitstore.WriteError{Path: name, Err: err}
	}
	if err := l.step("backup written"); err != nil {
		return Backup{}, err
	}
	b, err := l.Drill(ctx, tmp.Name(), o)
	b.Cleared, b.Rotten = cleared, rotten
	var damaged *BackupError
	if errors.As(err, &damaged) {
		return b, &BackupError{name, "does not read back: what was written " + damaged.What, "look after that disk, or name a folder on another"}
	}
	if err != nil {
		return b, fmt.Errorf("what was written does not read back: %w", err)
	}
	err = os.Rename(tmp.Name(), name)
	if err == nil && !l.opt.NoSync {
		err = gitstore.SyncDir(filepath.Dir(name))
	}
	if err != nil {
		return b, &gitstore.WriteError{Path: name, Err: err}
	}
	b.File = name
	return b, l.noteBackup(b)
}

// What a backup has in hand until it gets its name: its file, beside the name, and the
// trial restore, in the ledger's own folder, since both hold customers' names.
const (
	backupTemp = ".benchlore-backup-"
	trialDir   = ".git/benchlore/trial"
)

// newHeld makes the file of a backup in a folder and locks it for as long as this
// program lives, so that others can tell it from what a killed one left.
func newHeld(dir string) (*os.File, *flock.Flock, error) {
	tmp, err := os.CreateTemp(dir, backupTemp+"*")
	if err != nil {
		return nil, nil, err
	}
	held := flock.New(tmp.Name())
	if runtime.GOOS == "windows" {
		return tmp, held, nil // an open file cannot be removed there, and a locked one not be written
	}
	if _, err := held.TryLock(); err != nil {
		return nil, nil, errors.Join(err, tmp.Close(), os.Remove(tmp.Name()))
	}
	return tmp, held, nil
}

// clearBackups removes what killed backups left in a folder and in the ledger, and
// returns what it was.
func (l *Ledger) clearBackups(dir string) ([]string, error) {
	var cleared []string
	left, err := filepath.Glob(filepath.Join(gitstore.GlobDir(dir), backupTemp+"*"))
	if err != nil {
		return nil, err
	}
	for _, name := range left {
		held := flock.New(name, flock.SetFlag(os.O_RDWR))
		if runtime.GOOS != "windows" {
			if free, err := held.TryLock(); err != nil || !free {
				continue // a backup is being made there now, or the file is gone
			}
		}
		err := os.Remove(name)
		held.Close()
		if err == nil {
			cleared = append(cleared, name)
		}
	}
	trials, err := filepath.Glob(filepath.Join(gitstore.GlobDir(l.Dir), filepath.FromSlash(trialDir), "*.lock"))
	if err != nil {
		return nil, err
	}
	for _, name := range trials {
		held := flock.New(name)
		if free, err := held.TryLock(); err != nil || !free {
			continue
		}
		trial := strings.TrimSuffix(name, ".lock")
		err := errors.Join(os.RemoveAll(trial), held.Close(), os.Remove(name))
		if err != nil {
			return cleared, &gitstore.WriteError{Path: trial, Err: err}
		}
		cleared = append(cleared, trial)
	}
	return cleared, nil
}

// trial makes a folder inside the ledger for reading a backup back, on the same disk
// and as private as the ledger. It needs room there: need bytes.
func (l *Ledger) trial(need uint64) (dir string, end func(), err error) {
	top := filepath.Join(l.Dir, filepath.FromSlash(trialDir))
	if err := os.MkdirAll(top, 0o700); err != nil {
		return "", nil, &gitstore.WriteError{Path: top, Err: err}
	}
	if free, ok := gitstore.FreeSpace(top); ok && free < need {
		return "", nil, &UsageError{fmt.Sprintf("reading the backup back takes about %d MB of room beside the ledger, and %d MB are free there", need>>20+1, free>>20),
			"make room on that disk; nothing was kept of this backup"}
	}
	lock, err := os.CreateTemp(top, "*.lock")
	if err != nil {
		return "", nil, &gitstore.WriteError{Path: top, Err: err}
	}
	held := flock.New(lock.Name())
	_, err = held.TryLock()
	end = func() {
		os.RemoveAll(strings.TrimSuffix(lock.Name(), ".lock"))
		held.Close()
		os.Remove(lock.Name())
	}
	if err = errors.Join(err, lock.Close()); err != nil {
		end()
		return "", nil, &gitstore.WriteError{Path: lock.Name(), Err: err}
	}
	return strings.TrimSuffix(lock.Name(), ".lock"), end, nil
}

// replaceable reports whether a backup may take a name: nothing is there, or an
// older backup.
func replaceable(name string) bool {
	if _, err := os.Lstat(name); err != nil {
		return true // where it cannot be looked at, writing says why
	}
	z, err := zip.OpenReader(name)
	if err != nil {
		return false
	}
	defer z.Close()
	return slices.ContainsFunc(z.File, func(f *zip.File) bool { return f.Name == "backup.toml" })
}

// refsToKeep are all branches and tags; what git keeps for itself is not.
func (l *Ledger) refsToKeep() (map[string]object.Hash, error) {
	refs, err := l.repo.Refs("refs/heads/")
	if err != nil {
		return nil, err
	}
	tags, err := l.repo.Refs(tagRefs)
	maps.Copy(refs, tags)
	return refs, err
}

func (l *Ledger) writeBackup(to io.Writer) error {
	refs, err := l.refsToKeep()
	if err != nil {
		return err
	}
	m := &BackupManifest{Format: proof.FormatBackup, Kind: "backup", Shop: l.Shop.Name, Made: l.opt.Now().Truncate(time.Second), Refs: map[string]string{}, Files: map[string]string{}}
	z := zip.NewWriter(to)
	put := func(name string, method uint16, fn func(w io.Writer) error) error {
		w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: method, Modified: m.Made})
		if err != nil {
			return err
		}
		sum := sha256.New()
		if err := fn(io.MultiWriter(w, sum)); err != nil {
			return err
		}
		m.Files[name] = hex.EncodeToString(sum.Sum(nil))
		return nil
	}
	if err := put("ledger.bundle", zip.Store, func(w io.Writer) error { return l.writeWholeBundle(w, refs) }); err != nil {
		return err
	}
	for name, h := range refs {
		m.Refs[name] = h.String()
	}
	keep := func(as, p string) error {
		if err := gitstore.CheckPath(p); err != nil {
			return &UsageError{fmt.Sprintf("a backup cannot hold a file with this name: %v", err), "rename it, or move it out of the ledger"}
		}
		data, err := l.root.ReadFile(p)
		if errors.Is(err, fs.ErrNotExist) {
			m.Gone = append(m.Gone, p)
			return nil
		}
		if err != nil {
			return err
		}
		return put(as+p, zip.Deflate, func(w io.Writer) error { _, err := w.Write(data); return err })
	}
	private, err := diskSource{l}.names("private")
	if err != nil {
		return err
	}
	for _, p := range private {
		if fi, err := l.root.Lstat(p); err == nil && !fi.Mode().IsRegular() {
			return &UsageError{fmt.Sprintf("%q is no plain file, and a backup holds nothing else", p), "put the file itself there, or move it out of private/"}
		}
		if err := keep("", p); err != nil {
			return err
		}
	}
	changes, err := l.repo.Changes()
	if err != nil {
		return err
	}
	for _, c := range changes {
		if fi, err := l.root.Lstat(c.Path); err == nil && !fi.Mode().IsRegular() {
			continue // links are no part of a ledger
		}
		if err := keep("unsaved/", c.Path); err != nil {
			return err
		}
	}
	if err := put("RESTORE.txt", zip.Deflate, func(w io.Writer) error { _, err := io.WriteString(w, restoreText); return err }); err != nil {
		return err
	}
	w, err := z.CreateHeader(&zip.FileHeader{Name: "backup.toml", Method: zip.Deflate, Modified: m.Made})
	if err == nil {
		_, err = w.Write(m.encode())
	}
	return errors.Join(err, z.Close())
}

const restoreText = `This is a backup of a Benchlore ledger.

With Benchlore:            benchlore restore THISFILE.zip DIR
With git and unzip alone:  unzip THISFILE.zip
                           git clone ledger.bundle DIR
                           cd DIR
                           git fetch ../ledger.bundle 'refs/heads/unit/*:refs/heads/unit/*' 'refs/tags/*:refs/tags/*'
                           cp -r ../private .

unsaved/ holds hand edits that had not been committed. backup.toml has the
SHA-256 of every file.
`

func (m *BackupManifest) encode() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "format = %d\nkind = %s\nshop = %s\nmade = %s\ngone = [", m.Format, proof.Quote(m.Kind), proof.Quote(m.Shop), m.Made.Format(time.RFC3339))
	for i, p := range m.Gone {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(proof.Quote(p))
	}
	b.WriteString("]\n\n[refs]\n")
	for _, n := range slices.Sorted(maps.Keys(m.Refs)) {
		fmt.Fprintf(&b, "%s = %s\n", proof.Quote(n), proof.Quote(m.Refs[n]))
	}
	b.WriteString("\n[files]\n")
	for _, p := range slices.Sorted(maps.Keys(m.Files)) {
		fmt.Fprintf(&b, "%s = %s\n", proof.Quote(p), proof.Quote(m.Files[p]))
	}
	return []byte(b.String())
}

// writeWholeBundle writes a bundle of refs with everything they reach.
func (l *Ledger) writeWholeBundle(w io.Writer, refs map[string]object.Hash) error {
	objects, err := l.repo.NewObjects(slices.SortedFunc(maps.Values(refs), compareHashes), nil)
	if err != nil {
		return err
	}
	slices.SortFunc(objects, compareHashes)
	var head strings.Builder
	head.WriteString(proof.BundleHead)
	for _, n := range slices.Sorted(maps.Keys(refs)) {
		fmt.Fprintf(&head, "%s %s\n", refs[n], n)
	}
	if h, ok := refs[mainRef]; ok {
		fmt.Fprintf(&head, "%s HEAD\n", h)
	}
	if _, err := io.WriteString(w, head.String()+"\n"); err != nil {
		return err
	}
	return l.repo.WritePack(w, objects)
}

func compareHashes(a, b object.Hash) int { return bytes.Compare(a[:], b[:]) }

// backupPlace is where in a ledger a file of a backup belongs; "" for those that
// are about the backup itself. Nothing else may be in one: a name that leads
// into .git would bring settings and hooks along.
func backupPlace(name string) (string, error) {
	switch name {
	case "ledger.bundle", "RESTORE.txt", "backup.toml":
		return "", nil
	}
	p, unsaved := strings.CutPrefix(name, "unsaved/")
	if !unsaved && !strings.HasPrefix(p, "private/") {
		return "", fmt.Errorf("it holds %.80q, which is no place in a ledger", name)
	}
	if err := gitstore.CheckPath(p); err != nil {
		return "", fmt.Errorf("it holds %.80q, which is no place in a ledger", name)
	}
	return p, nil
}

// openBackup reads a backup's manifest and checks every digest.
func openBackup(ctx context.Context, name string) (*zip.ReadCloser, *BackupManifest, error) {
	if fi, err := os.Stat(name); errors.Is(err, fs.ErrNotExist) {
		return nil, nil, err
	} else if err == nil && fi.IsDir() {
		return nil, nil, &UsageError{fmt.Sprintf("%s is a folder, and a backup is one file", name), "name the file in it that ends in .zip"}
	}
	z, err := zip.OpenReader(name)
	var disk *fs.PathError
	if errors.As(err, &disk) {
		return nil, nil, err // says nothing about the backup
	}
	if err != nil {
		return nil, nil, &BackupError{name, fmt.Sprintf("is no backup that can be read: %v", err), "use an older one"}
	}
	fail := func(format string, args ...any) (*zip.ReadCloser, *BackupManifest, error) {
		z.Close()
		return nil, nil, &BackupError{name, "is damaged: " + fmt.Sprintf(format, args...), "use an older one"}
	}
	m := &BackupManifest{}
	sums := map[string]string{}
	for _, f := range z.File {
		if _, err := backupPlace(f.Name); err != nil {
			return fail("%v", err)
		}
		r, err := f.Open()
		if err != nil {
			return fail("%s: %v", f.Name, err)
		}
		var text bytes.Buffer
		var sum hash.Hash = sha256.New()
		to, from := io.Writer(sum), io.Reader(stopReader{ctx, r})
		if f.Name == "backup.toml" {
			to, from = &text, io.LimitReader(from, maxManifest+1)
		}
		_, err = io.Copy(to, from)
		if ctx.Err() != nil {
			z.Close()
			return nil, nil, ctx.Err()
		}
		if err = errors.Join(err, r.Close()); err != nil {
			return fail("%s: %v", f.Name, err)
		}
		if f.Name != "backup.toml" {
			sums[f.Name] = hex.EncodeToString(sum.Sum(nil))
		} else if err := proof.StrictTOML("list of the backup", maxManifest, text.Bytes(), m); err != nil {
			return fail("backup.toml: %v", err)
		}
	}
	if m.Kind != "backup" {
		return fail("its backup.toml is not of a backup")
	}
	if err := proof.CheckBackup(m.Format); err != nil {
		return fail("backup.toml: %v", err)
	}
	for f, want := range m.Files {
		if sums[f] != want {
			return fail("%s is not what was written", f)
		}
		delete(sums, f)
	}
	for f := range sums {
		return fail("%s is not named in its backup.toml", f)
	}
	for _, p := range m.Gone {
		if err := gitstore.CheckPath(p); err != nil {
			return fail("it takes away %.80q, which is no place in a ledger", p)
		}
	}
	return z, m, nil
}

// Restore brings a backup back as a ledger in dir, which must not be there or
// be empty. Hand edits that were not committed stand as they stood. On failure
// nothing stays. Errors: *BackupError, *UsageError, and those of writing.
func Restore(ctx context.Context, name, dir string, opt Options) (*Ledger, Backup, error) {
	opt.defaults()
	z, m, err := openBackup(ctx, name)
	if err != nil {
		return nil, Backup{}, err
	}
	defer z.Close()
	b := Backup{File: name, Shop: m.Shop, Made: m.Made, Refs: len(m.Refs)}
	if fi, err := os.Stat(name); err == nil {
		b.Size = fi.Size()
	}
	from := bundleOf(ctx, name, z, m, &b)
	files := func(l *Ledger) error {
		for _, f := range z.File {
			if err := ctx.Err(); err != nil {
				return err
			}
			p, err := backupPlace(f.Name)
			if err != nil || p == "" {
				continue // looked at by openBackup
			}
			if err := restoreFile(l, f, p); err != nil {
				return &gitstore.WriteError{Path: filepath.Join(l.Dir, filepath.FromSlash(p)), Err: err}
			}
			if strings.HasPrefix(f.Name, "private/") {
				b.Private++
			} else {
				b.Unsaved++
			}
		}
		for _, p := range m.Gone {
			err := l.root.Remove(p)
			if err == nil && !l.opt.NoSync {
				err = gitstore.SyncDir(filepath.Join(l.Dir, filepath.FromSlash(path.Dir(p))))
			}
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				return &gitstore.WriteError{Path: filepath.Join(l.Dir, filepath.FromSlash(p)), Err: err}
			}
		}
		return nil
	}
	whole, err := filepath.Abs(name)
	if err != nil {
		return nil, b, err
	}
	l, err := populate(ctx, dir, opt, unfinished{What: "restore", From: whole}, from, files)
	return l, b, err
}

// bundleOf is the bundle in a backup as a source; it counts the objects in b.
func bundleOf(ctx context.Context, name string, z *zip.ReadCloser, m *BackupManifest, b *Backup) source {
	return func(r *gitstore.Repo) (map[string]object.Hash, *gitstore.Received, error) {
		f, err := z.Open("ledger.bundle")
		if err != nil {
			return nil, nil, err
		}
		defer f.Close()
		refs, pack, err := bundleRefs(f)
		if err != nil {
			return nil, nil, &BackupError{name, "is damaged: " + err.Error(), "use an older one"}
		}
		for n, h := range m.Refs {
			if refs[n].String() != h {
				return nil, nil, &BackupError{name, fmt.Sprintf("is damaged: its bundle has %s at another commit than backup.toml", n), "use an older one"}
			}
		}
		got, err := r.Receive(stopReader{ctx, pack})
		if err == nil {
			b.Objects = got.Objects
		}
		return refs, got, err
	}
}

// restoreFile writes a file of a backup, durable with the folders above it.
func restoreFile(l *Ledger, f *zip.File, p string) error {
	r, err := f.Open()
	if err != nil {
		return err
	}
	defer r.Close()
	if err := l.root.MkdirAll(path.Dir(p), 0o700); err != nil {
		return err
	}
	w, err := l.root.OpenFile(p, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(w, r)
	if err == nil && !l.opt.NoSync {
		err = w.Sync()
	}
	if err = errors.Join(err, w.Close()); err != nil || l.opt.NoSync {
		return err
	}
	for dir := path.Dir(p); err == nil; dir = path.Dir(dir) {
		err = gitstore.SyncDir(filepath.Join(l.Dir, filepath.FromSlash(dir)))
		if dir == "." {
			break
		}
	}
	return err
}

// bundleRefs reads a bundle's head and leaves its pack to be read.
func bundleRefs(r io.Reader) (map[string]object.Hash, io.Reader, error) {
	line := func() (string, error) {
		var b []byte
		var one [1]byte
		for {
			if _, err := io.ReadFull(r, one[:]); err != nil || len(b) > 4096 {
				return "", errors.New("its bundle has no end of its refs")
			}
			if one[0] == '\n' {
				return string(b), nil
			}
			b = append(b, one[0])
		}
	}
	first, err := line()
	if err != nil || first+"\n" != proof.BundleHead {
		return nil, nil, errors.New("its bundle has another version than 2")
	}
	refs := map[string]object.Hash{}
	for {
		s, err := line()
		if err != nil {
			return nil, nil, err
		}
		if s == "" {
			return refs, r, nil
		}
		h, name, ok := strings.Cut(s, " ")
		if !ok || !object.IsHash(h) {
			return nil, nil, fmt.Errorf("its bundle has an odd line %.80q", s)
		}
		if name != "HEAD" {
			refs[name] = object.NewHash(h)
		}
	}
}

// Drill reads a backup back: every digest, every object, everything every ref
// reaches. With Drill it is restored into a folder inside this ledger and compared
// with it as well, file by file, where that has not moved on. Either way that folder
// is removed; a later Backup removes one that was left by a killed program.
func (l *Ledger) Drill(ctx context.Context, name string, o BackupOptions) (Backup, error) {
	z, m, err := openBackup(ctx, name)
	if err != nil {
		return Backup{}, err
	}
	defer z.Close()
	b := Backup{Shop: m.Shop, Made: m.Made, File: name, Refs: len(m.Refs)}
	if fi, err := os.Stat(name); err == nil {
		b.Size = fi.Size()
	}
	var need uint64
	for _, f := range z.File {
		if f.Name == "ledger.bundle" || o.Drill {
			need += f.UncompressedSize64
		}
	}
	if o.Drill {
		work, err := l.workSize()
		if err != nil {
			return b, err
		}
		need += work
	}
	tmp, end, err := l.trial(need)
	if err != nil {
		return b, err
	}
	defer end()
	opt := l.opt
	opt.NoSync, opt.nested = true, true
	if !o.Drill {
		repo, err := gitstore.Init(tmp, gitstore.InitOptions{NoSync: true, Nested: true, Program: Program})
		if err != nil {
			return b, err
		}
		defer repo.Close()
		there, tx, err := take(ctx, repo, opt, bundleOf(ctx, name, z, m, &b))
		if err != nil {
			return b, err
		}
		tx.Rollback()
		for f := range m.Files {
			if strings.HasPrefix(f, "private/") {
				b.Private++
			} else if strings.HasPrefix(f, "unsaved/") {
				b.Unsaved++
			}
		}
		b.Newer, err = l.newerThan(there)
		return b, err
	}
	r, b, err := Restore(ctx, name, tmp, opt)
	if err != nil {
		return b, err
	}
	defer r.Close()
	there, err := r.refsToKeep()
	if err != nil {
		return b, err
	}
	if b.Newer, err = l.newerThan(there); err != nil {
		return b, err
	}
	if err := l.compare(ctx, r, b.Newer == 0); err != nil {
		return b, err
	}
	b.Drilled = true
	return b, nil
}

// workSize is how many bytes the work files have.
func (l *Ledger) workSize() (n uint64, err error) {
	err = fs.WalkDir(l.root.FS(), ".", func(p string, d fs.DirEntry, err error) error {
		if p == ".git" {
			return fs.SkipDir
		}
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err == nil {
			n += uint64(info.Size())
		}
		return err
	})
	return n, err
}

// newerThan counts the branches and tags that are not where a backup has them.
func (l *Ledger) newerThan(there map[string]object.Hash) (n int, err error) {
	here, err := l.refsToKeep()
	for name, h := range here {
		if there[name] != h {
			n++
		}
	}
	for name := range there {
		if _, ok := here[name]; !ok {
			n++
		}
	}
	return n, err
}

// compare holds a restored ledger against itself and, where nothing has moved
// since, against this one.
func (l *Ledger) compare(ctx context.Context, r *Ledger, same bool) error {
	check, err := r.Check()
	if err != nil {
		return err
	}
	for _, g := range check.Git {
		if !g.Warning {
			return &UsageError{"the restored ledger is not in order: " + g.What, "run benchlore check here: what is wrong may be wrong here too"}
		}
	}
	if !same {
		return nil
	}
	var lists [2][]string
	for i, s := range []*Ledger{l, r} {
		for _, top := range []string{"instruments", "models", "lots", listsDir, "books", keysDir, adoptedDir, conflictsDir, "private"} {
			names, err := diskSource{s}.names(top)
			if err != nil {
				return err
			}
			lists[i] = append(lists[i], names...)
		}
		for _, p := range []string{"shop.toml", "families.toml", "signers", "revoked", ".gitattributes", ".gitignore"} {
			if _, err := s.root.Lstat(p); err == nil {
				lists[i] = append(lists[i], p)
			}
		}
	}
	if !slices.Equal(lists[0], lists[1]) {
		return &UsageError{fmt.Sprintf("the restored ledger has %d files, this one %d", len(lists[1]), len(lists[0])), "make a new backup"}
	}
	for _, p := range lists[0] {
		if err := ctx.Err(); err != nil {
			return err
		}
		a, err := l.root.ReadFile(p)
		if err != nil {
			return err
		}
		b, err := r.root.ReadFile(p)
		if err != nil {
			return err
		}
		if !bytes.Equal(a, b) {
			return &UsageError{p + " reads differently in the restored ledger", "make a new backup"}
		}
	}
	return nil
}

// noteBackup remembers a backup for LastBackup.
func (l *Ledger) noteBackup(b Backup) error {
	main, _, err := l.repo.Ref(mainRef)
	if err != nil {
		return err
	}
	text := fmt.Sprintf("file = %s\nmade = %s\nmain = %s\n", proof.Quote(b.File), b.Made.Format(time.RFC3339), proof.Quote(main.String()))
	return l.replace(backupNote, []byte(text))
}

// LastBackup is what this copy remembers of its last backup.
type LastBackup struct {
	File    string    `json:"file" toml:"file"`
	Made    time.Time `json:"made" toml:"made"`
	Main    string    `json:"main" toml:"main"` // main's head then
	Days    int       `json:"daysOld" toml:"-"`
	Current bool      `json:"current" toml:"-"` // nothing was written since
	Missing string    `json:"missing" toml:"-"` // the file, or the folder it was in, where that is not there now; else ""
}

// LastBackup returns the last backup, nil where there was none.
func (l *Ledger) LastBackup() *LastBackup {
	data, err := l.root.ReadFile(backupNote)
	if err != nil {
		return nil
	}
	b := &LastBackup{}
	if proof.StrictTOML("note of the backup", maxManifest, data, b) != nil {
		return nil
	}
	main, _, err := l.repo.Ref(mainRef)
	b.Current = err == nil && main.String() == b.Main
	b.Days = max(0, int(l.opt.Now().Sub(b.Made).Hours()/24))
	for _, name := range []string{filepath.Dir(b.File), b.File} {
		if _, err := os.Stat(name); b.Missing == "" && errors.Is(err, fs.ErrNotExist) {
			b.Missing = name
		}
	}
	return b
}
