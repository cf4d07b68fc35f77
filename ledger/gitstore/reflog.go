package gitstore

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"benchlore/ledger/gitstore/object"
)

// reflogs says where git keeps its reflogs, as it is configured to.
type reflogs struct {
	repo       *Repo
	on, always bool
	sync       bool
}

func (r *Repo) reflogs() (reflogs, error) {
	cfg, err := r.Config()
	if err != nil {
		return reflogs{}, err
	}
	l := reflogs{repo: r, sync: !r.NoSync}
	setting, ok := cfg.Get("core.logallrefupdates")
	l.always = strings.EqualFold(setting, "always")
	on, err := cfg.Bool("core.logallrefupdates", !r.bare)
	l.on = l.always || !(ok || r.bare) || err == nil && on
	return l, nil
}

// write records a move where git keeps its reflogs, before the ref is moved, as
// git does. A second time for the same move, after a crash, adds nothing.
func (l reflogs) write(u RefUpdate, j *journal) error {
	r := l.repo
	if !l.on {
		return nil
	}
	kept := false
	for _, p := range []string{"refs/heads/", "refs/remotes/", "refs/notes/"} {
		kept = kept || strings.HasPrefix(u.Name, p)
	}
	if !kept && !l.always {
		return nil
	}
	t, data, err := r.Object(u.New)
	if err != nil || t != object.TypeCommit {
		return err
	}
	_, who, ok := bytes.Cut(data, []byte("\ncommitter "))
	if !ok {
		return r.corrupt(u.New, errors.New("it has no committer"))
	}
	who, _, _ = bytes.Cut(who, []byte("\n"))
	line := fmt.Sprintf("%s %s %s\t%s\n", u.Old, u.New, who, j.Reason)
	names := []string{u.Name}
	if u.Name == j.Branch {
		names = append(names, "HEAD")
	}
	for _, name := range names {
		file := filepath.Join(r.GitDir, "logs", filepath.FromSlash(name))
		if name != "HEAD" {
			removeEmptyDirs(file)
		}
		if err := appendLine(file, line, l.sync); err != nil {
			return &WriteError{file, err}
		}
	}
	return nil
}

// appendLine appends a whole line to a file. A last line that was cut short by
// a crash is dropped; a last line equal to the new one is not repeated.
func appendLine(name, line string, sync bool) error {
	if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
		return err
	}
	f, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o666)
	if err != nil {
		return err
	}
	end, err := f.Seek(0, io.SeekEnd)
	tail := make([]byte, min(end, 4096))
	if err == nil {
		_, err = f.ReadAt(tail, end-int64(len(tail)))
	}
	if cut := bytes.LastIndexByte(tail, '\n') + 1; err == nil && cut < len(tail) {
		end -= int64(len(tail) - cut)
		tail = tail[:cut]
		err = f.Truncate(end)
	}
	if err == nil && !bytes.HasSuffix(tail, []byte(line)) {
		_, err = f.WriteAt([]byte(line), end)
		if err == nil && sync {
			err = f.Sync()
		}
	}
	return errors.Join(err, f.Close())
}
