package proof

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"benchlore/schema/pattern"
)

// The files of a packet.
const (
	GuideFile   = "VERIFY.txt"
	BundleFile  = "history.bundle"
	ClaimsFile  = "claims"
	SealFile    = "statement.toml" // what the last seal says
	PacketFile  = "packet.toml"
	SumsFile    = "SHA256SUMS"
	SumsSigFile = "SHA256SUMS.sig"
	ReportPage  = "report.html"
	ReportData  = "report.json"
	ReportPrint = "report.pdf"
	timesFolder = "times"
)

// listedFiles are the files SHA256SUMS names, in its order.
var listedFiles = []string{GuideFile, ClaimsFile, BundleFile, PacketFile, ReportPage, ReportData, ReportPrint, SealFile}

// packetFiles are all the files a packet must have, in the order they are packed:
// what a person should see first stands first.
var packetFiles = append([]string{GuideFile, SumsFile, SumsSigFile}, listedFiles[1:]...)

// tokenForm is how a token in times/ is named: the tag of the seal it is over, and
// a number.
var tokenForm = pattern.New(`^times/(seal/[a-z0-9-]+/[a-z0-9-]+/[1-9][0-9]{0,6}-[0-9a-f]{8})\.[1-9][0-9]?\.tsr$`)

// sumLine is a line of sha256sum: digest, two spaces, name.
var sumLine = pattern.New(`^([0-9a-f]{64})  ([A-Za-z0-9][A-Za-z0-9._/-]{0,199})$`)

// encodeSums writes SHA256SUMS as sha256sum does.
func encodeSums(sums map[string]string) []byte {
	var b strings.Builder
	for _, name := range slices.Sorted(maps.Keys(sums)) {
		fmt.Fprintf(&b, "%s  %s\n", sums[name], name)
	}
	return []byte(b.String())
}

// parseSums reads SHA256SUMS: plain lines of sha256sum, each file once.
func parseSums(data []byte) (map[string]string, error) {
	out := map[string]string{}
	lines := strings.Split(string(data), "\n")
	if len(lines) > MaxEntries {
		return nil, fmt.Errorf("it has more than %d lines", MaxEntries)
	}
	if lines[len(lines)-1] != "" {
		return nil, fmt.Errorf("its last line has no end")
	}
	for i, line := range lines[:len(lines)-1] {
		m := sumLine.FindStringSubmatch(line)
		if m == nil {
			return nil, fmt.Errorf("line %d is not as sha256sum writes it: %.120q", i+1, line)
		}
		if _, twice := out[m[2]]; twice {
			return nil, fmt.Errorf("line %d names %s a second time", i+1, m[2])
		}
		out[m[2]] = m[1]
	}
	return out, nil
}

// PacketNote is packet.toml: which history a packet is of.
type PacketNote struct {
	Format     int       `toml:"format"`
	Kind       string    `toml:"kind"` // "packet"
	UUID       string    `toml:"uuid"`
	SealSHA256 string    `toml:"seal_sha256"` // of the last seal's tag object
	Made       time.Time `toml:"made"`
	// Rotations the last seal does not have yet: the shop changed its key between
	// sealing and handing over.
	Rotations []SignedRotation `toml:"rotation"`
}

func (p *PacketNote) encode() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "format = %d\nkind = %s\nuuid = %s\nseal_sha256 = %s\nmade = %s\n", p.Format, Quote(p.Kind), Quote(p.UUID), Quote(p.SealSHA256), p.Made.Format(time.RFC3339))
	for _, r := range p.Rotations {
		b.WriteString("\n[[rotation]]\n" + r.Encode())
	}
	return b.Bytes()
}

// parsePacketNote reads packet.toml.
// Errors: *TooNewError among others.
func parsePacketNote(data []byte) (*PacketNote, error) {
	if n := formatOf(data); n != 0 {
		if err := checkFormat("packet", n, acceptedPackets); err != nil {
			return nil, err
		}
	}
	p := &PacketNote{}
	if err := StrictTOML(PacketFile, MaxStatement, data, p); err != nil {
		return nil, err
	}
	if err := checkFormat("packet", p.Format, acceptedPackets); err != nil {
		return nil, err
	}
	switch {
	case p.Kind != "packet":
		return nil, fmt.Errorf("it is of kind %.40q, not of a packet", p.Kind)
	case CheckUUID(p.UUID) != nil:
		return nil, CheckUUID(p.UUID)
	case !sha256Form.MatchString(p.SealSHA256), p.Made.IsZero():
		return nil, fmt.Errorf("it does not say which seal it hands over, and when")
	}
	for i := range p.Rotations {
		if _, err := p.Rotations[i].Check(); err != nil {
			return nil, err
		}
	}
	return p, nil
}
