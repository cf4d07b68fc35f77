package proof

import "fmt"

// QRText is what the QR code of a unit says, on a label, a report or a packet:
// its identity, the head of its history (40 hexadecimal digits), and the first
// 16 digits of the SHA-256 of its newest seal's statement. statement "" is a
// history without a seal: its field stays empty.
func QRText(uuid, head, statement string) string {
	return fmt.Sprintf("benchlore:1:%s:%s:%.16s", uuid, head, statement)
}
