package gitstore

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/format/pktline"
	"github.com/go-git/go-git/v5/plumbing/protocol/packp"
	"github.com/go-git/go-git/v5/plumbing/protocol/packp/capability"
	"github.com/go-git/go-git/v5/plumbing/transport"
	gitproto "github.com/go-git/go-git/v5/plumbing/transport/git"
	"github.com/go-git/go-git/v5/plumbing/transport/http"
	"github.com/go-git/go-git/v5/plumbing/transport/ssh"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/sshkey"
)

// RemoteError is what kept an exchange with a server from going on.
type RemoteError struct {
	URL    string // without a password
	What   string // what was tried
	Err    error
	Remedy string
}

func (e *RemoteError) Error() string { return fmt.Sprintf("%s: %s: %v", e.URL, e.What, e.Err) }

// Hint names the next step.
func (e *RemoteError) Hint() string { return e.Remedy }

func (e *RemoteError) Unwrap() error { return e.Err }

// RefusedError is a push that the server took in part or not at all.
type RefusedError struct {
	URL     string
	Refs    map[string]string // the server's reasons by ref
	Said    string            // what the server's hooks printed, on one line
	Another bool              // somebody else pushed first: fetch, merge and push again
}

func (e *RefusedError) Error() string {
	text := e.URL + " did not take the push"
	if names := slices.Sorted(maps.Keys(e.Refs)); len(names) > 0 {
		text = fmt.Sprintf("%s did not take %s: %s", e.URL, names[0], e.Refs[names[0]])
		if len(names) > 1 {
			text += fmt.Sprintf(" (and %d more)", len(names)-1)
		}
	}
	if e.Said != "" {
		text += "; it says: " + e.Said
	}
	return text
}

// Hint names the next step.
func (e *RefusedError) Hint() string {
	if e.Another {
		return "somebody else was faster; run the command again"
	}
	for _, why := range e.Refs {
		if strings.Contains(why, notForward) {
			return "a sealed history must replace the one there, once; ask whoever runs the server to run there: git config receive.denyNonFastForwards false"
		}
	}
	return "ask whoever runs the server; nothing is lost here"
}

// notForward is git's answer if receive.denyNonFastForwards is set. withAnother is its
// answer for a ref that was pushed in one step with a refused one.
const (
	notForward  = "non-fast-forward"
	withAnother = "atomic push failure"
)

// refusal makes the error from what a server said of each ref it did not take.
func refusal(url string, refs map[string]string, said string) *RefusedError {
	e := &RefusedError{URL: url, Refs: map[string]string{}, Said: oneLine(said)}
	for name, why := range refs {
		if why != withAnother {
			e.Refs[name] = why
		}
	}
	if len(e.Refs) == 0 {
		e.Refs = refs
	}
	// Trying again helps only if no refusal is permanent.
	e.Another = true
	for _, why := range e.Refs {
		e.Another = e.Another && isRace(why)
	}
	return e
}

// oneLine makes one short line of what a server says, without control characters,
// which could steer a terminal.
func oneLine(s string) string {
	var out []string
	for line := range strings.FieldsFuncSeq(s, func(c rune) bool { return c == '\n' || c == '\r' }) {
		line = strings.TrimSpace(strings.Map(func(c rune) rune {
			if unicode.IsControl(c) || unicode.Is(unicode.Cf, c) || c == utf8.RuneError {
				return -1
			}
			return c
		}, line))
		if line != "" {
			out = append(out, line)
		}
	}
	const most = 400
	text := []rune(strings.Join(out, " / "))
	if len(text) > most {
		text = append(text[:most], []rune(" ...")...)
	}
	return string(text)
}

// Remote is the other side of an exchange: a server, or a repository on a disk. It
// starts git only to ask its credential helpers.
type Remote struct {
	URL  string // as shown: without a password
	repo *Repo  // ours

	path  string // of a repository on a disk; "" for a server
	ep    *transport.Endpoint
	auth  transport.AuthMethod
	asked *credential // given by a helper, not yet known to be good

	refs  map[string]object.Hash
	apart bool

	// Between, if set, is called between the parts of a push in several steps. An
	// error from it ends the push.
	Between func() error
}

// RemoteOptions say how to ask for secrets, and how to push.
type RemoteOptions struct {
	Passphrase sshkey.Passphrase
	Apart      bool // push as to a server that cannot take several refs as one step
}

// Remote prepares an exchange with a URL: ssh://, http(s)://, git://,
// host:path as ssh has it, file:// or a path. Nothing is sent yet.
func (r *Repo) Remote(rawURL string, opt RemoteOptions) (*Remote, error) {
	m := &Remote{URL: withoutPassword(rawURL), repo: r, apart: opt.Apart}
	if p, ok := localPath(rawURL); ok {
		if !filepath.IsAbs(p) {
			p = filepath.Join(r.Dir, p)
		}
		if Inside(r.Dir, p) {
			return nil, &RemoteError{m.URL, "reading the address", errors.New("it lies inside this repository"), "name a bare repository outside it, best on another disk or a server"}
		}
		m.path = p
		return m, nil
	}
	ep, err := transport.NewEndpoint(rawURL)
	var parse *url.Error
	if errors.As(err, &parse) {
		return nil, &RemoteError{m.URL, "reading the address", parse.Err, "a % in a name or a password is written %25"} // parse itself has the password
	}
	if err != nil {
		return nil, &RemoteError{m.URL, "reading the address", err, "write it as git does: ssh://host/path, https://host/path or a path"}
	}
	m.ep = ep
	switch ep.Protocol {
	case "ssh":
		m.auth, err = sshAuth(ep, opt.Passphrase)
		if err != nil {
			return nil, &RemoteError{m.URL, "finding a key", err, "start ssh-agent and add your key with ssh-add, or make one with ssh-keygen -t ed25519"}
		}
	case "http", "https", "git":
	default:
		return nil, &RemoteError{m.URL, "reading the address", fmt.Errorf("%q servers are not supported", ep.Protocol), "use ssh://, https://, git:// or a path"}
	}
	return m, nil
}

// localPath returns the path in an address of a disk: file://, or a plain path, with a
// drive letter or without.
func localPath(s string) (string, bool) {
	if rest, ok := strings.CutPrefix(s, "file://"); ok {
		// As in git: %41 is decoded, # and ? belong to the name, and what stands before
		// the first slash is a machine.
		if plain, err := url.PathUnescape(rest); err == nil {
			rest = plain
		}
		rest = strings.TrimPrefix(rest, "localhost")
		if !strings.HasPrefix(rest, "/") {
			rest = "//" + rest
		}
		if runtime.GOOS == "windows" && !strings.HasPrefix(rest, "//") {
			rest = strings.TrimPrefix(rest, "/")
		}
		return filepath.FromSlash(rest), true
	}
	if strings.Contains(s, "://") {
		return "", false
	}
	colon := strings.IndexByte(s, ':')
	if colon < 0 || filepath.VolumeName(s) != "" || strings.ContainsAny(s[:colon], `/\`) {
		return s, true
	}
	return "", false
}

// Inside reports whether a path is a folder or lies in it, as written or through
// links.
func Inside(dir, p string) bool {
	if rel, err := filepath.Rel(dir, p); err == nil && filepath.IsLocal(rel) {
		return true
	}
	real, err := filepath.EvalSymlinks(dir)
	if err != nil {
		return false
	}
	rest := ""
	for {
		if up, err := filepath.EvalSymlinks(p); err == nil {
			rel, err := filepath.Rel(real, filepath.Join(up, rest))
			return err == nil && filepath.IsLocal(rel)
		}
		up := filepath.Dir(p)
		if up == p {
			return false
		}
		rest = filepath.Join(filepath.Base(p), rest)
		p = up
	}
}

// Dir is where a repository on a disk is; false for a server.
func (m *Remote) Dir() (string, bool) { return m.path, m.path != "" }

// LocalRemote reports whether an address is that of a disk, and where.
func LocalRemote(s string) (string, bool) { return localPath(s) }

func withoutPassword(s string) string {
	u, err := url.Parse(s)
	if err != nil {
		scheme, rest, ok := strings.Cut(s, "://")
		if at := strings.LastIndexByte(rest, '@'); ok && at >= 0 {
			name, _, _ := strings.Cut(rest[:at], ":")
			return scheme + "://" + name + rest[at:]
		}
		return s
	}
	if u.User == nil {
		return s
	}
	if _, has := u.User.Password(); has {
		u.User = url.User(u.User.Username())
	}
	return u.String()
}

func (m *Remote) client() transport.Transport {
	switch m.ep.Protocol {
	case "ssh":
		return ssh.DefaultClient
	case "git":
		return gitproto.DefaultClient
	}
	return http.DefaultClient
}

// withAuth runs an exchange. If the server asks for a login, it runs once more with
// the name and password from git's credential helpers.
func (m *Remote) withAuth(ctx context.Context, what string, fn func() error) error {
	err := fn()
	if m.path != "" {
		return err
	}
	if (errors.Is(err, transport.ErrAuthenticationRequired) || errors.Is(err, transport.ErrAuthorizationFailed)) && m.asked == nil &&
		(m.ep.Protocol == "http" || m.ep.Protocol == "https") {
		cred, cerr := fillCredential(ctx, m.repo.Dir, m.ep)
		if cerr != nil {
			return &RemoteError{m.URL, what, fmt.Errorf("%w (%v)", err, cerr), "give git the name and password: git config credential.helper, or put them in the address"}
		}
		m.asked = cred
		m.auth = &http.BasicAuth{Username: cred.username, Password: cred.password}
		err = fn()
		m.asked.tell(ctx, m.repo.Dir, err == nil)
	}
	if err == nil {
		return nil
	}
	var ours *RefusedError
	if errors.As(err, &ours) {
		return err
	}
	return &RemoteError{m.URL, what, err, remedyFor(m, err)}
}

func remedyFor(m *Remote, err error) string {
	s := err.Error()
	switch {
	case errors.Is(err, transport.ErrRepositoryNotFound):
		return "check the address; git init --bare makes an empty repository"
	case strings.Contains(s, "knownhosts"), strings.Contains(s, "known_hosts"):
		return "let ssh learn the server's key first: " + sshCommand(m.ep)
	case strings.Contains(s, "unable to authenticate"):
		return "add a key the server knows to ssh-agent: ssh-add FILE"
	case errors.Is(err, transport.ErrAuthenticationRequired), errors.Is(err, transport.ErrAuthorizationFailed):
		return "the server does not accept this name and password for this"
	case errors.Is(err, fs.ErrPermission):
		return "make sure that you may write there"
	case errors.Is(err, pktline.ErrInvalidPktLen), strings.Contains(s, "unexpected client error"):
		return "no git server answers there: check the address, and whether this network asks for a login in a browser first"
	}
	return "nothing is lost here; run the command again when the server can be reached"
}

// sshCommand is the command to log in to the server by hand.
func sshCommand(ep *transport.Endpoint) string {
	text := "ssh "
	if ep.Port != 0 && ep.Port != 22 {
		text += fmt.Sprintf("-p %d ", ep.Port)
	}
	if ep.User != "" {
		text += ep.User + "@"
	}
	return text + ep.Host
}

// Refs asks for the refs below refs/ and what they point at. An empty
// repository has none.
func (m *Remote) Refs(ctx context.Context) (map[string]object.Hash, error) {
	m.refs = map[string]object.Hash{}
	if m.path != "" {
		far, err := m.open()
		if err != nil {
			return nil, err
		}
		defer far.Close()
		if far.Shallow {
			return nil, &RemoteError{m.URL, "reading its refs", errors.New("it is a shallow clone"), "make it complete: run git fetch --unshallow there"}
		}
		m.refs, err = far.Refs("refs/")
		return m.refs, err
	}
	return m.refs, m.withAuth(ctx, "asking for its refs", func() error {
		s, err := m.client().NewUploadPackSession(m.ep, m.auth)
		if err != nil {
			return err
		}
		defer s.Close()
		adv, err := s.AdvertisedReferencesContext(ctx)
		if errors.Is(err, transport.ErrEmptyRemoteRepository) {
			return nil
		}
		if err != nil {
			return err
		}
		for name, h := range adv.References {
			if checkRefName(name) == nil {
				m.refs[name] = object.Hash(h)
			}
		}
		return nil
	})
}

func (m *Remote) open() (*Repo, error) {
	far, err := OpenBare(m.path, m.repo.program)
	if err == nil {
		far.NoSync = m.repo.NoSync
		return far, nil
	}
	var missing *NotRepositoryError
	if !errors.As(err, &missing) {
		return nil, &RemoteError{m.URL, "opening it", err, ""}
	}
	if Creatable(m.path) {
		return nil, &RemoteError{m.URL, "opening it", fmt.Errorf("there is no repository at %q yet", m.path), "make one there: " + m.repo.program.makeBare()}
	}
	if _, err := os.ReadDir(m.path); errors.Is(err, fs.ErrPermission) {
		return nil, &RemoteError{m.URL, "opening it", err, "ask the owner of that folder to let you read and write there"}
	}
	return nil, &RemoteError{m.URL, "opening it", fmt.Errorf("%q exists and is not a repository", m.path), "check the address; a repository can only be made in an empty or a new folder"}
}

// Creatable reports whether InitBare may make a repository at dir: nothing is
// there, or an empty folder.
func Creatable(dir string) bool {
	entries, err := os.ReadDir(dir)
	return errors.Is(err, fs.ErrNotExist) || err == nil && len(entries) == 0
}

// Fetch gets everything that want reach and have do not. Both sides have what have
// reach.
func (m *Remote) Fetch(ctx context.Context, want, have []object.Hash) (*Received, error) {
	if m.path != "" {
		far, err := m.open()
		if err != nil {
			return nil, err
		}
		defer far.Close()
		return copyObjects(ctx, far, m.repo, want, have)
	}
	var got *Received
	return got, m.withAuth(ctx, "fetching", func() error {
		s, err := m.client().NewUploadPackSession(m.ep, m.auth)
		if err != nil {
			return err
		}
		defer s.Close()
		adv, err := s.AdvertisedReferencesContext(ctx)
		if err != nil {
			return err
		}
		req := packp.NewUploadPackRequestFromCapabilities(adv.Capabilities)
		if adv.Capabilities.Supports(capability.NoProgress) {
			if err := req.Capabilities.Set(capability.NoProgress); err != nil {
				return err
			}
		}
		for _, h := range want {
			req.Wants = append(req.Wants, plumbing.Hash(h))
		}
		for _, h := range have {
			req.Haves = append(req.Haves, plumbing.Hash(h))
		}
		res, err := s.UploadPack(ctx, req)
		if err != nil {
			return err
		}
		defer res.Close()
		got, err = m.repo.Receive(sideband(req.Capabilities, res))
		return err
	})
}

// copyObjects brings objects from one repository on a disk to another, unless
// ctx ends first.
func copyObjects(ctx context.Context, from, to *Repo, want, have []object.Hash) (*Received, error) {
	var known []object.Hash
	for _, h := range have {
		if ok, err := from.Has(h); err != nil {
			return nil, err
		} else if ok {
			known = append(known, h)
		}
	}
	// A killed push may have left the newest commits of a history without the older
	// ones.
	objects, err := from.newObjects(want, known, true)
	if err != nil {
		return nil, err
	}
	if len(objects) <= unpackLimit {
		out := &Received{Objects: len(objects)}
		for _, h := range objects {
			t, data, err := from.Object(h)
			if err != nil {
				return nil, err
			}
			out.small = append(out.small, object.Object{Type: t, Data: data})
		}
		return out, nil
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	rd, w := io.Pipe()
	defer context.AfterFunc(ctx, func() { rd.CloseWithError(ctx.Err()) })()
	go func() { w.CloseWithError(from.WritePack(w, objects)) }()
	got, err := to.Receive(rd)
	rd.CloseWithError(err)
	return got, err
}

// Push moves refs of the other side and sends the objects they need: all groups in
// one step if the other side can do that, else one group after the other. known are
// objects that it has. Push returns the refs that were moved.
// Errors: *RefusedError, *RemoteError; after the latter the refs may have moved.
func (m *Remote) Push(ctx context.Context, groups [][]RefUpdate, known []object.Hash) ([]RefUpdate, error) {
	all := slices.Concat(groups...)
	if len(all) == 0 {
		return nil, nil
	}
	var done []RefUpdate
	for len(done) < len(all) {
		var sent []RefUpdate
		err := m.withAuth(ctx, "pushing", func() (err error) {
			sent, err = m.pushOnce(ctx, groups, known)
			return err
		})
		if err != nil {
			return done, err
		}
		if done = append(done, sent...); len(done) < len(all) && m.Between != nil {
			if err := m.Between(); err != nil {
				return done, err
			}
		}
		for _, u := range sent {
			known = append(known, u.New)
		}
		for len(groups) > 0 && (len(groups[0]) == 0 || slices.Contains(sent, groups[0][0])) {
			groups = groups[1:]
		}
	}
	return done, nil
}

// pushOnce pushes everything if the server takes it in one step, else the first group.
func (m *Remote) pushOnce(ctx context.Context, groups [][]RefUpdate, known []object.Hash) ([]RefUpdate, error) {
	part := slices.Concat(groups...)
	for _, g := range slices.Backward(groups) {
		if len(g) > 0 {
			part = g
		}
	}
	if m.path != "" {
		if !m.apart {
			part = slices.Concat(groups...)
		}
		return part, m.pushLocal(ctx, part, known)
	}
	s, err := m.client().NewReceivePackSession(m.ep, m.auth)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	adv, err := s.AdvertisedReferencesContext(ctx)
	if err != nil && !errors.Is(err, transport.ErrEmptyRemoteRepository) {
		return nil, err
	}
	if adv == nil {
		adv = packp.NewAdvRefs()
	}
	req := packp.NewReferenceUpdateRequestFromCapabilities(adv.Capabilities)
	if !adv.Capabilities.Supports(capability.ReportStatus) {
		return nil, errors.New("the server cannot report whether it took a push")
	}
	var said bytes.Buffer
	for _, c := range []capability.Capability{capability.Sideband64k, capability.Quiet} {
		if adv.Capabilities.Supports(c) {
			if err := req.Capabilities.Set(c); err != nil {
				return nil, err
			}
		}
	}
	req.Progress = &said
	updates := slices.Concat(groups...)
	if adv.Capabilities.Supports(capability.Atomic) && !m.apart {
		if err := req.Capabilities.Set(capability.Atomic); err != nil {
			return nil, err
		}
	} else {
		updates = part
	}
	tips := make([]object.Hash, 0, len(updates))
	for _, u := range updates {
		if object.Hash(adv.References[u.Name]) != u.Old {
			return nil, &RefusedError{URL: m.URL, Refs: map[string]string{u.Name: "it is at another commit by now"}, Another: true}
		}
		req.Commands = append(req.Commands, &packp.Command{Name: plumbing.ReferenceName(u.Name), Old: plumbing.Hash(u.Old), New: plumbing.Hash(u.New)})
		tips = append(tips, u.New)
	}
	objects, err := m.repo.NewObjects(tips, known)
	if err != nil {
		return nil, err
	}
	rd, w := io.Pipe()
	defer rd.Close()
	go func() { w.CloseWithError(m.repo.WritePack(w, objects)) }()
	req.Packfile = rd
	report, err := s.ReceivePack(ctx, req)
	if report == nil {
		if err == nil {
			err = errors.New("the server did not say whether it took the push")
		}
		return nil, err
	}
	if report.UnpackStatus != "ok" {
		if said.Len() > 0 {
			return nil, fmt.Errorf("the server could not take the objects: %s; it says: %s", report.UnpackStatus, oneLine(said.String()))
		}
		return nil, fmt.Errorf("the server could not take the objects: %s", report.UnpackStatus)
	}
	refused := map[string]string{}
	for _, c := range report.CommandStatuses {
		if c.Error() != nil {
			refused[string(c.ReferenceName)] = c.Status
		}
	}
	if len(refused) > 0 {
		return nil, refusal(m.URL, refused, said.String())
	}
	return updates, err
}

// isRace reports whether git's receive-pack refused a ref only because it moved in the
// meantime.
func isRace(status string) bool {
	for _, s := range []string{"failed to update ref", "failed to lock", "cannot lock ref", "fetch first", "reference already exists",
		"incorrect old value", "transaction"} {
		if strings.Contains(status, s) {
			return true
		}
	}
	return false
}

// pushLocal is Push into a repository on a disk, under git's own locks.
func (m *Remote) pushLocal(ctx context.Context, updates []RefUpdate, known []object.Hash) error {
	far, err := m.open()
	if err != nil {
		return err
	}
	defer far.Close()
	if !far.bare {
		return &RemoteError{m.URL, "pushing", errors.New("somebody works in that repository; it is not a bare one"),
			"exchange through a bare repository: give both copies the address of a new folder, and run: " + m.repo.program.makeBare()}
	}
	tips := make([]object.Hash, 0, len(updates))
	for _, u := range updates {
		tips = append(tips, u.New)
	}
	got, err := copyObjects(ctx, m.repo, far, tips, known)
	if err != nil {
		return err
	}
	tx, err := far.Lock(ctx, 20*time.Second)
	if err != nil {
		return &RemoteError{m.URL, "pushing", err, ""}
	}
	defer tx.Rollback()
	if err := tx.Store(got); err != nil {
		return &RemoteError{m.URL, "pushing", err, ""}
	}
	err = tx.Commit(Plan{Refs: updates, Reason: "push"})
	var moved *RefMovedError
	if errors.As(err, &moved) {
		return &RefusedError{URL: m.URL, Refs: map[string]string{moved.Name: "it is at another commit by now"}, Another: true}
	}
	if err != nil {
		return &RemoteError{m.URL, "pushing", err, ""}
	}
	_ = far.Tidy() // nobody else packs there
	return nil
}
