// Command verdictpage writes the page that checks packets in a browser: one HTML
// file that holds the verifier, needs no network and installs nothing. Run it in the
// folder with Benchlore's sources:
//
//	go run ./cmd/verdictpage -o verdict.html
//
// Beside it lies verdict-offline.js, which only a copy on a web server needs: it
// keeps the page for use without a network.
//
// The same sources and the same Go give the same bytes, whatever the folder.
package main

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"text/template"
)

var (
	//go:embed page.html
	pageSource string
	//go:embed page.css
	style string
	//go:embed page.js
	script string
	//go:embed worker.js
	workerSource string
	//go:embed offline.js
	offline string
)

// version is that of the page, as CHANGELOG.md dates it.
const version = "2026-11-29"

// offlineFile is what lies beside a page on a web server.
const offlineFile = "verdict-offline.js"

func main() {
	out := flag.String("o", "verdict.html", "write the page to `FILE`")
	flag.Parse()
	if err := run(*out); err != nil {
		fmt.Fprintln(os.Stderr, "verdictpage:", err)
		os.Exit(1)
	}
}

func run(out string) error {
	page, err := build(".")
	if err != nil {
		return err
	}
	if err := os.WriteFile(out, page, 0o666); err != nil {
		return err
	}
	beside := filepath.Join(filepath.Dir(out), offlineFile)
	if err := os.WriteFile(beside, []byte(offline), 0o666); err != nil {
		return err
	}
	fmt.Printf("wrote %s, %d bytes\n  SHA-256  %x\n  %s belongs beside it on a web server, and nowhere else\n", out, len(page), sha256.Sum256(page), beside)
	return nil
}

// build makes the page from the sources of the module around dir.
func build(dir string) ([]byte, error) {
	tmp, err := os.MkdirTemp("", "verdictpage-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(tmp)
	module := filepath.Join(tmp, "checker.wasm")
	c := exec.Command("go", "build", "-trimpath", "-buildvcs=false", "-gcflags=all=-l", "-ldflags=-s -w -buildid=", "-o", module, "benchlore/cmd/verdictpage/checker")
	c.Dir = dir
	// Nothing of this computer's settings may show in the page.
	c.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm", "GOWASM=", "CGO_ENABLED=0", "GOFLAGS=", "GOEXPERIMENT=")
	if text, err := c.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("go build cannot make the checker; run this in the folder with Benchlore's sources: %w\n%s", err, text)
	}
	program, err := os.ReadFile(module)
	if err != nil {
		return nil, err
	}
	c = exec.Command("go", "env", "GOROOT")
	c.Dir = dir
	root, err := c.Output()
	if err != nil {
		return nil, err
	}
	support, err := os.ReadFile(filepath.Join(strings.TrimSpace(string(root)), "lib", "wasm", "wasm_exec.js"))
	if err != nil {
		return nil, fmt.Errorf("wasm_exec.js, which comes with Go, is missing beside %s: %w", runtime.Version(), err)
	}
	return assemble(program, support)
}

// assemble puts the parts of the page together. Only the script that is in it may
// run, and it may reach nothing.
func assemble(program, support []byte) ([]byte, error) {
	var packed bytes.Buffer
	z, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	if _, err := z.Write(program); err != nil {
		return nil, err
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	worker := string(support) + "\n" + workerSource
	for name, text := range map[string]string{"worker": worker, "page.js": script} {
		if strings.Contains(strings.ToLower(text), "</script") {
			return nil, fmt.Errorf("%s would end its own script element", name)
		}
	}
	sum := sha256.Sum256([]byte(script))
	policy := strings.Join([]string{
		"default-src 'none'",
		"script-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "' 'wasm-unsafe-eval' blob:",
		"worker-src blob: 'self'", // 'self': what keeps the page offline
		"style-src 'unsafe-inline'",
		"img-src blob:",
		"media-src blob:",
		"base-uri 'none'",
		"form-action 'none'",
	}, "; ")
	t, err := template.New("page").Parse(pageSource)
	if err != nil {
		return nil, err
	}
	var page bytes.Buffer
	err = t.Execute(&page, map[string]string{"Policy": policy, "Style": style, "Version": version, "Script": script, "Worker": worker,
		"Program": base64.StdEncoding.EncodeToString(packed.Bytes())})
	return page.Bytes(), err
}
