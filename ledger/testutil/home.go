// Package testutil holds what the tests of several packages need of the system
// around them: a neutral home, and a process without root's rights. Only tests
// import it.
package testutil

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// GitConfig is a git configuration for [Run]: somebody at the bench of the
// invented shop.
const GitConfig = `[user]
	name = Maren Wickstead
	email = maren@halden-street.example
[init]
	defaultBranch = main
[advice]
	detachedHead = false
[safe]
	directory = *
[protocol "file"]
	allow = always
`

// Run runs tests in a home of their own, a new folder that is removed
// afterwards, and returns their exit code. Nobody's configuration, keys or editor
// decides a test: HOME and USERPROFILE name the folder, its .gitconfig is config,
// and what else git and the program ask the environment for is gone.
func Run(tests func() int, config string) int {
	dir, err := os.MkdirTemp("", "test-home-")
	if err == nil {
		defer os.RemoveAll(dir)
		err = settle(dir, config)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return tests()
}

// settle makes dir the home of this process.
func settle(dir, config string) error {
	file := filepath.Join(dir, ".gitconfig")
	if err := os.WriteFile(file, []byte(config), 0o666); err != nil {
		return err
	}
	for _, kv := range os.Environ() {
		switch name, _, _ := strings.Cut(kv, "="); {
		case strings.HasPrefix(name, "GIT_"), name == "EMAIL", name == "VISUAL", name == "EDITOR",
			name == "SSH_AUTH_SOCK", name == "XDG_CONFIG_HOME":
			os.Unsetenv(name)
		}
	}
	for name, value := range map[string]string{"HOME": dir, "USERPROFILE": dir, "GIT_CONFIG_NOSYSTEM": "1", "LC_ALL": "C"} {
		if err := os.Setenv(name, value); err != nil {
			return err
		}
	}
	return nil
}
