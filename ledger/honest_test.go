package ledger

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"sync/atomic"
	"testing"

	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/agent"

	"benchlore/ledger/proof"
	"benchlore/schema"
)

// keptByAgent moves a key into an agent: only its public half stays on disk.
func keptByAgent(t *testing.T, k key) key {
	t.Helper()
	if runtime.GOOS == "windows" {
		return k // its agents do not listen where this one would
	}
	raw, err := ssh.ParseRawPrivateKey(must(os.ReadFile(k.file)))
	if err != nil {
		t.Fatal(err)
	}
	ring := agent.NewKeyring()
	if err := ring.Add(agent.AddedKey{PrivateKey: raw}); err != nil {
		t.Fatal(err)
	}
	dir, err := os.MkdirTemp("", "ag") // names of sockets must be short
	if err != nil {
		t.Fatal(err)
	}
	socket := filepath.Join(dir, "s")
	l, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close(); os.RemoveAll(dir) })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() { agent.ServeAgent(ring, c); c.Close() }()
		}
	}()
	t.Setenv("SSH_AUTH_SOCK", socket)
	if err := os.Remove(k.file); err != nil {
		t.Fatal(err)
	}
	k.file += ".pub"
	return k
}

// TestHonestPackets lets ledgers grow in every way a bench lets them grow, and
// seals, hands over and verifies at every turn. None may raise an alarm.
func TestHonestPackets(t *testing.T) {
	const ledgers, turns = 20, 10
	kinds := []key{newKey(t, "ed25519"), newKey(t, "ecdsa"), newKey(t, "rsa"), keptByAgent(t, newKey(t, "rsa"))}
	var packets atomic.Int32
	t.Cleanup(func() {
		if !t.Failed() && packets.Load() != ledgers*turns {
			t.Errorf("%d packets were checked", packets.Load())
		}
	})
	for n := range ledgers {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			t.Parallel()
			random := rand.New(rand.NewPCG(uint64(n), 7))
			w := newWorkshop(t)
			k := kinds[n%4]
			options := SealOptions{}
			if n%5 == 4 {
				// Begun before the shop had a key.
				options.UnsignedHistory = true
				w.job(lw)
				w.close(lw)
			}
			w.signWith(k)
			known := []key{k}
			var last []byte
			var lastSeal *proof.Seal
			for turn := range turns {
				w.later(1 + random.IntN(40))
				did := w.work(t, random)
				if turn == 6 && n%4 != 3 {
					next := newKey(t, "ed25519")
					if _, err := w.RotateKey(known[len(known)-1], next, "maren@halden-street.example"); err != nil {
						t.Fatal(err)
					}
					w.signWith(next)
					known = append(known, next)
				}
				w.close(lw)
				if random.IntN(4) == 0 {
					// Closed again before it is sealed.
					w.add(lw, schema.KindFollowup, "state = \"working\"\nsaid_by = \"owner\"\n")
					w.close(lw)
				}
				if _, err := w.Seal(lw, options); err != nil {
					t.Fatalf("after %s: %v%s", did, err, drawings(err))
				}
				packet := w.handover(lw)
				o := listing(known[0])
				if last != nil && random.IntN(3) == 0 {
					o.Earlier = [][]byte{last}
					o.Label = lastSeal.QR()
					o.Seals = []string{lastSeal.StatementDigest()}
				}
				v := proof.VerifyBytes(packet, o)
				if verdict(t, v, proof.Trusted); t.Failed() {
					t.Fatalf("turn %d, after %s", turn, did)
				}
				for _, f := range v.Flaws {
					if !options.UnsignedHistory || f.Check != "commit" {
						t.Errorf("turn %d, after %s: a needless warning: %+v", turn, did, f)
					}
				}
				packets.Add(1)
				last, lastSeal = packet, v.Chain()[len(v.Chain())-1]
			}
			w.clean()
		})
	}
}

// work does one thing a bench does, and says which.
func (w *workshop) work(t *testing.T, random *rand.Rand) string {
	t.Helper()
	switch random.IntN(7) {
	case 0:
		w.job(lw)
		return "a job"
	case 1:
		w.add(lw, schema.KindFollowup, "state = \"faulty\"\nsaid_by = \"owner\"\nnote = \"Brummt – „ein bißchen“ 日本 \\\\ \\\" '''\"\n")
		return "a follow-up with odd letters"
	case 2:
		m := image.NewGray(image.Rect(0, 0, 24, 16))
		m.SetGray(random.IntN(24), random.IntN(16), color.Gray{Y: byte(random.IntN(256))})
		w.mustAttach("", Attachment{Name: "front.jpg", Data: jpegOf(t, m), Photo: &schema.Photo{Caption: "the front"}})
		return "a photograph"
	case 3:
		data := bytes.Repeat([]byte{byte(random.IntN(256)), 0, '\r', '\n'}, random.IntN(3000))
		w.mustAttach("", Attachment{Name: "notes.bin", Data: append(data, 1), File: &schema.File{}})
		return "an attachment"
	case 4:
		p := w.add(lw, schema.KindNote, "note = \"looked at it\"\n")
		w.close(lw)
		data := bytes.Replace(must(w.read(p)), []byte("looked at it"), []byte("looked into it"), 1)
		if _, err := w.Correct([]Corrected{{Path: p, Data: data}}, "mw", "a slip of the pen", CloseOptions{}); err != nil {
			t.Fatalf("%v%s", err, drawings(err))
		}
		w.add(lw, schema.KindNote, "note = \"and went on\"\n")
		return "a correction"
	case 5:
		w.add(lw, schema.KindNote, "note = \"to be taken back\"\n")
		if _, _, err := w.Undo(lw); err != nil {
			t.Fatal(err)
		}
		w.add(lw, schema.KindCustody, "event = \"shipped\"\n")
		return "a record taken back"
	default:
		w.add(lw, schema.KindMeasurements, fmt.Sprintf("[[reading]]\npoint = \"supply\"\nquantity = \"voltage\"\nvalue = \"%d.%d V\"\nstage = \"as-left\"\n", 14+random.IntN(2), random.IntN(10)))
		return "a measurement"
	}
}
