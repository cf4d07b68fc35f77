package gitstore

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"benchlore/ledger/gitstore/object"
)

// packedRefs is the parsed packed-refs file. It is read again when the file changes.
type packedRefs struct {
	size    int64
	modTime time.Time
	read    time.Time
	refs    map[string]object.Hash
}

// packedNow returns the packed refs. The map must not be changed.
func (r *Repo) packedNow() (map[string]object.Hash, error) {
	name := filepath.Join(r.GitDir, "packed-refs")
	r.mu.Lock()
	defer r.mu.Unlock()
	info, err := os.Stat(name)
	if errors.Is(err, fs.ErrNotExist) {
		r.packed = packedRefs{}
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	p := &r.packed
	// A file written just before it was read may have been replaced with the same time.
	settled := p.read.Sub(p.modTime) > 2*time.Second
	if p.refs != nil && settled && p.size == info.Size() && p.modTime.Equal(info.ModTime()) {
		return p.refs, nil
	}
	read := time.Now()
	b, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	refs, err := parsePackedRefs(b)
	if err != nil {
		return nil, err
	}
	*p = packedRefs{info.Size(), info.ModTime(), read, refs}
	return refs, nil
}

func parsePackedRefs(b []byte) (map[string]object.Hash, error) {
	refs := map[string]object.Hash{}
	lines := bufio.NewScanner(bytes.NewReader(b))
	for n := 1; lines.Scan(); n++ {
		line := lines.Text()
		if line == "" || line[0] == '#' || line[0] == '^' {
			continue
		}
		hash, name, ok := strings.Cut(line, " ")
		if !ok || !object.IsHash(hash) || len(hash) != 40 {
			return nil, &RefError{"packed-refs", fmt.Sprintf("has something other than a ref in line %d: %q", n, line)}
		}
		refs[name] = object.NewHash(hash)
	}
	return refs, lines.Err()
}

// Ref returns where a full ref name ("refs/heads/main") points and whether it
// exists. Symbolic refs are followed for HEAD only.
func (r *Repo) Ref(name string) (object.Hash, bool, error) {
	if name == "HEAD" {
		_, h, err := r.head()
		return h, err == nil && !h.IsZero(), err
	}
	if err := checkRefName(name); err != nil {
		return object.ZeroHash, false, err
	}
	text, ok, err := r.looseRef(name)
	if err != nil {
		return object.ZeroHash, false, err
	}
	if ok {
		h, err := r.parseRef(name, text)
		return h, err == nil, err
	}
	packed, err := r.packedNow()
	if err != nil {
		return object.ZeroHash, false, err
	}
	h, ok := packed[name]
	return h, ok, nil
}

// looseRef reads the file of a ref. Where a folder has its name there is no such
// ref; git makes such folders and removes them at any time.
func (r *Repo) looseRef(name string) (text string, ok bool, err error) {
	file := r.refFile(name)
	for try := 0; ; try++ {
		var b []byte
		err = retryShared(func() (err error) {
			b, err = os.ReadFile(file)
			return err
		})
		if err == nil {
			return strings.TrimRight(string(b), "\n"), true, nil
		}
		if isAbsent(err) {
			return "", false, nil
		}
		info, serr := os.Stat(file)
		if isAbsent(serr) || serr == nil && info.IsDir() {
			return "", false, nil
		}
		// A file has taken the folder's place since: read that.
		if !errors.Is(err, syscall.EISDIR) || try == 10 {
			return "", false, err
		}
	}
}

func (r *Repo) parseRef(name, text string) (object.Hash, error) {
	if strings.HasPrefix(text, "ref:") {
		return object.ZeroHash, &RefError{name, "is symbolic; only HEAD may be"}
	}
	if len(text) != 40 || !object.IsHash(text) {
		return object.ZeroHash, &RefError{name, fmt.Sprintf("holds %q instead of an object name; %s", text, r.refRemedy(name))}
	}
	return object.NewHash(text), nil
}

// refRemedy says how to put back a ref whose file was cut short. While that file is
// there, stock git does not read or move the ref, and does not show its reflog.
func (r *Repo) refRemedy(name string) string {
	if name == "HEAD" {
		return headRemedy
	}
	return fmt.Sprintf("move .git/%s out of the .git folder and %s", name, r.putBack(name))
}

// putBack names the command that puts a ref back where it was.
func (r *Repo) putBack(name string) string {
	if was := r.wasAt(name); !was.IsZero() {
		return fmt.Sprintf("run: git update-ref %s %s", name, was)
	}
	// git fetch alone does not write to the branch in use.
	return fmt.Sprintf("get it from a full copy: git fetch COPY %s && git update-ref %s FETCH_HEAD", name, name)
}

// wasAt is where a ref was last, by its reflog; zero where that does not say.
func (r *Repo) wasAt(name string) object.Hash {
	b, err := os.ReadFile(filepath.Join(r.GitDir, "logs", filepath.FromSlash(name)))
	lines := strings.Split(strings.TrimRight(string(b), "\n"), "\n")
	f := strings.Fields(lines[len(lines)-1])
	if err != nil || len(f) < 2 || len(f[1]) != 40 || !object.IsHash(f[1]) {
		return object.ZeroHash
	}
	return object.NewHash(f[1])
}

// Lost returns an error with the remedy for a branch that is gone: it does not exist,
// and it has a reflog or the caller knows that it did exist.
func (r *Repo) Lost(name string, known bool) error {
	if !known && r.wasAt(name).IsZero() {
		return nil
	}
	return &RefError{name, "is gone; " + r.putBack(name)}
}

const headRemedy = "write ref: refs/heads/main into .git/HEAD"

// head returns the branch HEAD is on ("" when detached) and its commit (zero
// on a branch without commits).
func (r *Repo) head() (branch string, h object.Hash, err error) {
	text, ok, err := r.looseRef("HEAD")
	if err != nil {
		return "", h, err
	}
	if !ok {
		return "", h, &RefError{"HEAD", "is missing; " + headRemedy}
	}
	if target, symbolic := strings.CutPrefix(text, "ref:"); symbolic {
		branch = strings.TrimSpace(target)
		h, _, err = r.Ref(branch)
		return branch, h, err
	}
	h, err = r.parseRef("HEAD", text)
	return "", h, err
}

// Refs returns every ref below a prefix ("refs/heads/unit/"), by full name.
// Symbolic refs, such as those of remotes' HEAD, are left out.
func (r *Repo) Refs(prefix string) (map[string]object.Hash, error) {
	out := map[string]object.Hash{}
	dir := "refs"
	if i := strings.LastIndexByte(prefix, '/'); i > 0 && checkRefName(prefix[:i]+"/x") == nil {
		dir = prefix[:i]
	}
	start := filepath.Join(r.GitDir, filepath.FromSlash(dir))
	err := filepath.WalkDir(start, func(file string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil // git removed an empty folder
		}
		if err != nil || d.IsDir() || strings.HasSuffix(file, ".lock") {
			return err
		}
		rel, err := filepath.Rel(r.GitDir, file)
		if err != nil {
			return err
		}
		name := filepath.ToSlash(rel)
		if !strings.HasPrefix(name, prefix) || checkRefName(name) != nil {
			return nil
		}
		text, ok, err := r.looseRef(name)
		if err != nil || !ok || strings.HasPrefix(text, "ref:") {
			return err
		}
		out[name], err = r.parseRef(name, text)
		return err
	})
	if err != nil {
		return nil, err
	}
	// Packed ones come second: git packs a ref before it removes the loose one.
	packed, err := r.packedNow()
	if err != nil {
		return nil, err
	}
	for name, h := range packed {
		if _, loose := out[name]; !loose && strings.HasPrefix(name, prefix) {
			out[name] = h
		}
	}
	return out, nil
}

func (r *Repo) refFile(name string) string {
	return filepath.Join(r.GitDir, filepath.FromSlash(name))
}

// checkRefName applies the rules of git check-ref-format to a full name below
// refs/.
func checkRefName(name string) error {
	bad := func(reason string) error { return &RefError{name, reason} }
	if !strings.HasPrefix(name, "refs/") || strings.Count(name, "/") < 1 {
		return bad("does not begin with \"refs/\"")
	}
	if strings.Contains(name, "..") || strings.Contains(name, "@{") || strings.HasSuffix(name, ".") {
		return bad("may not hold \"..\" or \"@{\" or end in a dot")
	}
	for _, c := range []byte(name) {
		if c < 0x20 || c == 0x7f || strings.IndexByte(" ~^:?*[\\", c) >= 0 {
			return bad("may not hold spaces, control characters or any of ~ ^ : ? * [ \\")
		}
	}
	for part := range strings.SplitSeq(name, "/") {
		if part == "" || part[0] == '.' || strings.HasSuffix(part, ".lock") {
			return bad("has a part that is empty, begins with a dot or ends in \".lock\"")
		}
	}
	return nil
}
