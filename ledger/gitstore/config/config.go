// Package config reads git's configuration as git itself would: the system's, the
// user's and the repository's files, what they include, and the environment
// (git-config(1)). It writes nothing.
package config

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"time"

	"benchlore/ledger/gitstore/object"
)

// Config is git's configuration as stock git would see it: system, global,
// repository, environment, with includes. The last value of a key wins. Keys
// are "section.name" or "section.subsection.name", with section and name in
// lower case.
type Config struct {
	values []setting
}

type setting struct {
	key, value string
	file       string // where relative paths in the value begin; "" for the environment
	bare       bool   // a key without "=": true
}

// Error reports a configuration file git would not read, or a value of
// the wrong kind.
type Error struct {
	File   string
	Line   int // from 1; 0 when it concerns a value
	Reason string
}

func (e *Error) Error() string {
	if e.Line == 0 {
		return fmt.Sprintf("git configuration %q: %s", e.File, e.Reason)
	}
	return fmt.Sprintf("git configuration %q, line %d: %s", e.File, e.Line, e.Reason)
}

// IdentityError is returned when git's configuration does not say who the
// user is.
type IdentityError struct{ Missing string } // "user.name" or "user.email"

func (e *IdentityError) Error() string {
	example := `"Your Name"`
	if e.Missing == "user.email" {
		example = "you@example.org"
	}
	return fmt.Sprintf("git does not know who you are; run `git config --global %s %s`", e.Missing, example)
}

// Global reads the configuration that applies outside any repository.
func Global() (*Config, error) { return Load("", "") }

// Load reads the configuration that applies to the repository with this git
// folder while a branch is checked out, named without refs/heads/. Without a git
// folder it reads what applies outside any repository.
func Load(gitDir, branch string) (*Config, error) {
	in := includeContext{gitDir: gitDir, branch: branch}
	var files []string
	if on, _ := parseBool(os.Getenv("GIT_CONFIG_NOSYSTEM")); !on {
		if name, ok := os.LookupEnv("GIT_CONFIG_SYSTEM"); ok {
			files = append(files, name)
		} else if runtime.GOOS == "windows" {
			files = append(files, filepath.Join(os.Getenv("ProgramFiles"), "Git", "etc", "gitconfig"))
		} else {
			files = append(files, "/etc/gitconfig")
		}
	}
	if name, ok := os.LookupEnv("GIT_CONFIG_GLOBAL"); ok {
		files = append(files, name)
	} else {
		home := HomeDir()
		if xdg := os.Getenv("XDG_CONFIG_HOME"); xdg != "" {
			files = append(files, filepath.Join(xdg, "git", "config"))
		} else if home != "" {
			files = append(files, filepath.Join(home, ".config", "git", "config"))
		}
		if home != "" {
			files = append(files, filepath.Join(home, ".gitconfig"))
		}
	}
	if gitDir != "" {
		files = append(files, filepath.Join(gitDir, "config"))
	}
	c := &Config{}
	for _, name := range files {
		if name == "" {
			continue
		}
		if err := c.readFile(name, in, 0); err != nil {
			return nil, err
		}
	}
	if gitDir != "" {
		if on, _ := c.Bool("extensions.worktreeconfig", false); on {
			if err := c.readFile(filepath.Join(gitDir, "config.worktree"), in, 0); err != nil {
				return nil, err
			}
		}
	}
	return c, c.readEnvironment()
}

// Local reads only the repository's own files, which say how it is stored.
func Local(gitDir string) (*Config, error) {
	c, in := &Config{}, includeContext{gitDir: gitDir}
	if err := c.readFile(filepath.Join(gitDir, "config"), in, 0); err != nil {
		return nil, err
	}
	on, err := c.Bool("extensions.worktreeconfig", false)
	if err != nil || !on {
		return c, err
	}
	return c, c.readFile(filepath.Join(gitDir, "config.worktree"), in, 0)
}

// readEnvironment adds what `git -c` style variables say.
func (c *Config) readEnvironment() error {
	count := os.Getenv("GIT_CONFIG_COUNT")
	if count == "" {
		return nil
	}
	n, err := strconv.Atoi(count)
	if err != nil || n < 0 {
		return &Error{File: "GIT_CONFIG_COUNT", Reason: fmt.Sprintf("%q is not a number", count)}
	}
	for i := range n {
		key := os.Getenv(fmt.Sprintf("GIT_CONFIG_KEY_%d", i))
		first, last := strings.IndexByte(key, '.'), strings.LastIndexByte(key, '.')
		if first <= 0 || last == len(key)-1 {
			return &Error{File: fmt.Sprintf("GIT_CONFIG_KEY_%d", i), Reason: fmt.Sprintf("%q is not a key", key)}
		}
		key = strings.ToLower(key[:first]) + key[first:last] + strings.ToLower(key[last:])
		c.values = append(c.values, setting{key: key, value: os.Getenv(fmt.Sprintf("GIT_CONFIG_VALUE_%d", i))})
	}
	return nil
}

// HomeDir is the home folder as git sees it; "" where there is none.
func HomeDir() string {
	if h := os.Getenv("HOME"); h != "" {
		return h // git for Windows looks here first too
	}
	h, _ := os.UserHomeDir()
	return h
}

// includeContext is what conditions of includes are judged by.
type includeContext struct{ gitDir, branch string }

const maxIncludes = 10 // git's own limit

func (c *Config) readFile(name string, in includeContext, depth int) error {
	b, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return &Error{File: name, Reason: err.Error()}
	}
	return parse(string(b), name, func(key, value string, bare bool) error {
		c.values = append(c.values, setting{key, value, name, bare})
		section, rest, _ := strings.Cut(key, ".")
		include := key == "include.path"
		if section == "includeif" && strings.HasSuffix(rest, ".path") {
			include = in.holds(strings.TrimSuffix(rest, ".path"), name)
		}
		if !include || value == "" {
			return nil
		}
		if depth >= maxIncludes {
			return &Error{File: name, Reason: "its includes form a circle or are nested too deep"}
		}
		target, err := expandPath(value, name)
		if err != nil {
			return err
		}
		return c.readFile(target, in, depth+1)
	})
}

// holds judges the condition of an includeIf.
func (in includeContext) holds(cond, file string) bool {
	kind, pattern, ok := strings.Cut(cond, ":")
	if !ok {
		return false
	}
	switch kind {
	case "gitdir", "gitdir/i":
		if in.gitDir == "" {
			return false
		}
		if rest, ok := strings.CutPrefix(pattern, "./"); ok {
			pattern = filepath.ToSlash(filepath.Dir(file)) + "/" + rest
		} else if strings.HasPrefix(pattern, "~/") {
			pattern = filepath.ToSlash(HomeDir()) + pattern[1:]
		} else if !strings.HasPrefix(pattern, "/") && filepath.VolumeName(pattern) == "" {
			pattern = "**/" + pattern
		}
		if strings.HasSuffix(pattern, "/") {
			pattern += "**"
		}
		dirs := []string{in.gitDir}
		if real, err := filepath.EvalSymlinks(in.gitDir); err == nil {
			dirs = append(dirs, real)
		}
		for _, d := range dirs {
			d = filepath.ToSlash(d)
			if kind == "gitdir/i" {
				d, pattern = strings.ToLower(d), strings.ToLower(pattern)
			}
			if matchPath(pattern, d) {
				return true
			}
		}
	case "onbranch":
		if strings.HasSuffix(pattern, "/") {
			pattern += "**"
		}
		return in.branch != "" && matchPath(pattern, in.branch)
	}
	return false
}

// matchPath matches slash paths with *, ? and [] inside a component and **
// across components.
func matchPath(pattern, name string) bool {
	return MatchParts(strings.Split(pattern, "/"), strings.Split(name, "/"))
}

// MatchParts matches the components of a path, as gitignore(5) has it: *, ? and []
// inside one, ** across several.
func MatchParts(pattern, name []string) bool {
	if len(pattern) == 0 {
		return len(name) == 0
	}
	if pattern[0] == "**" {
		if len(pattern) == 1 {
			return len(name) > 0
		}
		for i := range len(name) + 1 {
			if MatchParts(pattern[1:], name[i:]) {
				return true
			}
		}
		return false
	}
	if len(name) == 0 {
		return false
	}
	ok, err := path.Match(pattern[0], name[0])
	return err == nil && ok && MatchParts(pattern[1:], name[1:])
}

// expandPath resolves ~/ and ~user/, and a relative path against the folder of
// the file it is written in.
func expandPath(p, file string) (string, error) {
	if rest, ok := strings.CutPrefix(p, "~"); ok {
		name, rest, _ := strings.Cut(rest, "/")
		home := HomeDir()
		if name != "" {
			u, err := user.Lookup(name)
			if err != nil {
				return "", &Error{File: file, Reason: fmt.Sprintf("path %q: there is no user %q", p, name)}
			}
			home = u.HomeDir
		}
		return filepath.Join(home, filepath.FromSlash(rest)), nil
	}
	if filepath.IsAbs(p) || file == "" {
		return filepath.FromSlash(p), nil
	}
	return filepath.Join(filepath.Dir(file), filepath.FromSlash(p)), nil
}

// Setting is a key of the configuration, "section.name" in lower case, and its value.
type Setting struct{ Key, Value string }

// Append puts settings at the end of a configuration file's text, where they win
// over what stands before.
func Append(text []byte, settings ...Setting) []byte {
	if n := len(text); n > 0 && text[n-1] != '\n' {
		text = append(text, '\n')
	}
	section := ""
	for _, s := range settings {
		own, key, _ := strings.Cut(s.Key, ".")
		if own != section {
			section = own
			text = fmt.Appendf(text, "[%s]\n", section)
		}
		value := strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`, "\t", `\t`).Replace(s.Value)
		text = fmt.Appendf(text, "\t%s = \"%s\"\n", key, value)
	}
	return text
}

// Get returns the last value of a key.
func (c *Config) Get(key string) (string, bool) {
	v, ok := c.last(key)
	if v.bare {
		return "true", ok
	}
	return v.value, ok
}

func (c *Config) last(key string) (setting, bool) {
	for i := len(c.values) - 1; i >= 0; i-- {
		if c.values[i].key == key {
			return c.values[i], true
		}
	}
	return setting{}, false
}

// Names lists what follows a prefix in the keys that begin with it.
func (c *Config) Names(prefix string) []string {
	var out []string
	for _, v := range c.values {
		if rest, ok := strings.CutPrefix(v.key, prefix); ok {
			out = append(out, rest)
		}
	}
	return out
}

// Bool returns a key's value as git reads booleans, or def when it is not set.
func (c *Config) Bool(key string, def bool) (bool, error) {
	v, ok := c.last(key)
	if !ok || v.bare {
		return def || v.bare, nil
	}
	b, ok := parseBool(v.value)
	if !ok {
		return def, &Error{File: v.file, Reason: fmt.Sprintf("%s is %q; write true or false", key, v.value)}
	}
	return b, nil
}

func parseBool(s string) (value, ok bool) {
	switch strings.ToLower(s) {
	case "true", "yes", "on":
		return true, true
	case "false", "no", "off", "":
		return false, true
	}
	n, err := strconv.Atoi(s)
	return n != 0, err == nil
}

// Int returns a key's value as a number, or def when it is not set.
func (c *Config) Int(key string, def int) (int, error) {
	v, ok := c.last(key)
	if !ok {
		return def, nil
	}
	// git reads 7k as 7168, and so on.
	digits, unit := v.value, 0
	if i := len(v.value) - 1; i > 0 {
		if unit = strings.IndexByte("kmg", v.value[i]|0x20) + 1; unit > 0 {
			digits = v.value[:i]
		}
	}
	n, err := strconv.Atoi(digits)
	if err == nil && n != n<<(10*unit)>>(10*unit) {
		err = strconv.ErrRange
	}
	n <<= 10 * unit
	if err != nil {
		return def, &Error{File: v.file, Reason: fmt.Sprintf("%s is %q; write a number", key, v.value)}
	}
	return n, nil
}

// Path returns a key's value as a file name, with "~/" resolved. A relative
// one is left as it is, and so counts from the working directory, as in git.
func (c *Config) Path(key string) (string, bool, error) {
	v, ok := c.last(key)
	if !ok || v.value == "" {
		return "", false, nil
	}
	p, err := expandPath(v.value, "")
	return p, err == nil, err
}

// AllowedSigners returns gpg.ssh.allowedSignersFile, "" when not set.
func (c *Config) AllowedSigners() (string, error) {
	p, _, err := c.Path("gpg.ssh.allowedsignersfile")
	return p, err
}

// Revoked returns gpg.ssh.revocationFile, "" when not set.
func (c *Config) Revoked() (string, error) {
	p, _, err := c.Path("gpg.ssh.revocationfile")
	return p, err
}

// SignCommits reports commit.gpgsign.
func (c *Config) SignCommits() (bool, error) { return c.Bool("commit.gpgsign", false) }

// Author returns who is recorded as author: GIT_AUTHOR_*, author.*, user.*.
// GIT_AUTHOR_DATE replaces now. Error: *IdentityError.
func (c *Config) Author(now time.Time) (object.Ident, error) { return c.ident("author", now) }

// Committer is like Author with GIT_COMMITTER_* and committer.*.
func (c *Config) Committer(now time.Time) (object.Ident, error) { return c.ident("committer", now) }

func (c *Config) ident(role string, now time.Time) (object.Ident, error) {
	env := "GIT_" + strings.ToUpper(role) + "_"
	id := object.Ident{Name: os.Getenv(env + "NAME"), Email: os.Getenv(env + "EMAIL"), When: now}
	for _, f := range []struct {
		field *string
		name  string
	}{{&id.Name, "name"}, {&id.Email, "email"}} {
		if *f.field == "" {
			*f.field, _ = c.Get(role + "." + f.name)
		}
		if *f.field == "" {
			*f.field, _ = c.Get("user." + f.name)
		}
		if *f.field == "" && f.name == "email" {
			*f.field = os.Getenv("EMAIL")
		}
		if strings.TrimSpace(*f.field) == "" {
			return object.Ident{}, &IdentityError{"user." + f.name}
		}
	}
	if date := os.Getenv(env + "DATE"); date != "" {
		when, err := parseDate(date)
		if err != nil {
			return object.Ident{}, fmt.Errorf("%sDATE is %q; write it as 2031-03-04T17:05:00+01:00", env, date)
		}
		id.When = when
	}
	return id, nil
}

// parseDate reads git's own form (seconds and zone), ISO 8601 and RFC 2822.
func parseDate(s string) (time.Time, error) {
	if sec, zone, ok := strings.Cut(strings.TrimPrefix(s, "@"), " "); ok {
		n, err := strconv.ParseInt(sec, 10, 64)
		z, zerr := time.Parse("-0700", zone)
		if err == nil && zerr == nil {
			return time.Unix(n, 0).In(z.Location()), nil
		}
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04:05-0700", "2006-01-02 15:04:05 -0700",
		"2006-01-02 15:04:05 -07:00", time.RFC1123Z} {
		if t, err := time.Parse(layout, s); err == nil {
			return t, nil
		}
	}
	for _, layout := range []string{"2006-01-02T15:04:05", "2006-01-02 15:04:05"} {
		if t, err := time.ParseInLocation(layout, s, time.Local); err == nil {
			return t, nil
		}
	}
	return time.Time{}, errors.New("not a date")
}
