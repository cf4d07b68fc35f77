//go:build !windows

package testutil

import (
	"os"
	"os/exec"
	"testing"
)

// testOrdinary marks a test that has been started again without root's right to
// write anywhere.
const testOrdinary = "BENCHLORE_TEST_ORDINARY"

// Ordinary reports whether permissions bind this process. Root may write
// anywhere: for root the test runs once more in a process without that right, and
// what it said is this test's outcome.
func Ordinary(t *testing.T) bool {
	t.Helper()
	if os.Geteuid() != 0 || os.Getenv(testOrdinary) != "" {
		return true
	}
	setpriv, err := exec.LookPath("setpriv")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("setpriv is not installed")
		}
		t.Skip("root writes anywhere, and setpriv, which takes that away, is not installed")
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(setpriv, "--bounding-set", "-dac_override,-dac_read_search", "--", self, "-test.v", "-test.run", "^"+t.Name()+"$")
	cmd.Env = append(os.Environ(), testOrdinary+"=1")
	out, err := cmd.CombinedOutput()
	t.Logf("%s", out)
	if err != nil {
		t.Errorf("without root's rights: %v", err)
	}
	return false
}
