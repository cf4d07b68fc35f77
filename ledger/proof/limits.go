package proof

// Limits on what is read from a stranger. close, seal and handover hold to the
// same ones, so that no history made by this program meets them when it is
// verified. They are chosen so that a check stays below 300 MB of memory and ten
// seconds on two processors, whatever is in the file.
const (
	// MaxPacket bounds a packet, and what it unpacks to, in bytes. Only a part of
	// it is ever in memory: pages and PDFs are hashed as they come.
	MaxPacket = 512 << 20
	// MaxEntries bounds the files of a packet, junk of the packing program included.
	MaxEntries = 1000
	// MaxBundle bounds the bundle, in bytes.
	MaxBundle = 72 << 20
	// MaxHistory bounds all objects of a history together, in bytes.
	MaxHistory = 96 << 20
	// MaxObject bounds one object, so one attached file, in bytes.
	MaxObject = 32 << 20
	// MaxObjects bounds their number.
	MaxObjects = 100_000
	// MaxCommits bounds the commits of a history: a record a week for a century.
	MaxCommits = 5_000
	// MaxSeals bounds its seals.
	MaxSeals = 200
	// MaxFiles bounds the files of one commit.
	MaxFiles = 20_000
	// MaxSteps bounds the entries that are held against one another when commits
	// are compared with their parents, and seals with what they cover: commits
	// times entries, where nothing is shared.
	MaxSteps = 10_000_000
	// MaxChanges bounds the differences that are found so.
	MaxChanges = 1_000_000
	// MaxText bounds all records and statements of a history together, every
	// version of them, in bytes.
	MaxText = 24 << 20
	// MaxNesting is how deep tables and lists may stand in one another in a text.
	MaxNesting = 64
	// MaxStatement bounds the statement of one seal, in bytes.
	MaxStatement = 4 << 20
	// MaxReport bounds report.json, in bytes.
	MaxReport = 8 << 20
	// MaxToken bounds one token in times/, and MaxTokens their number.
	MaxToken  = 64 << 10
	MaxTokens = 100

	maxDepth   = 250       // deltas on deltas; stock git writes at most 50
	maxRefs    = 1000      // of a bundle
	maxSmall   = 4 << 20   // SHA256SUMS, claims, VERIFY.txt
	maxPixels  = 100 << 20 // of a photograph that a page is made with
	maxShown   = 20        // findings that are printed, and notes
	maxListed  = 20        // stretches of commits, and corrections, that a verdict lists
	maxFolders = 5         // folders in one another below a unit's
)
