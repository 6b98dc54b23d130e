package wav

import (
	"bytes"
	"encoding/binary"
	"unicode"
	"unicode/utf8"
)

// advice is what a refusal tells the user to do.
const advice = "save or export the recording as uncompressed WAV (PCM, 16 or 24 bit)"

// magics are the first bytes of files that get handed over by mistake.
var magics = []struct {
	at   int
	text string
	what string
}{
	{0, "ID3", "an MP3 file"},
	{0, "fLaC", "a FLAC file"},
	{0, "OggS", "an Ogg file (Vorbis or Opus)"},
	{8, "AIFF", "an AIFF file"},
	{8, "AIFC", "an AIFF-C file"},
	{0, ".snd", "an AU file"},
	{0, "caff", "a CAF file"},
	{0, "riff\x2e\x91\xcf\x11", "a 64-bit relative of WAV with another header"},
	{4, "ftyp", "an MPEG-4 file (AAC sound or video)"},
	{0, "\x30\x26\xb2\x75", "an ASF file (sound or video)"},
	{0, "\x1a\x45\xdf\xa3", "a Matroska or WebM file"},
	{0, "#!AMR", "an AMR voice memo"},
	{0, "wvpk", "a losslessly compressed sound file"},
	{0, "MThd", "a MIDI file, which holds notes and no sound"},
	{0, "PK\x03\x04", "a ZIP archive or office document"},
	{0, "\x1f\x8b", "a gzip archive"},
	{0, "%PDF", "a PDF document"},
	{0, "\x89PNG", "a PNG picture"},
	{0, "\xff\xd8\xff", "a JPEG picture"},
	{0, "GIF8", "a GIF picture"},
}

// identify says what a file that does not begin as WAVE is, from its first
// bytes (at least one).
func identify(head []byte) error {
	for _, m := range magics {
		if len(head) >= m.at && bytes.HasPrefix(head[m.at:], []byte(m.text)) {
			return refuse("this is %s, not a WAV recording: %s", m.what, advice)
		}
	}
	wide := bytes.HasPrefix(head, []byte("\xff\xfe")) || bytes.HasPrefix(head, []byte("\xfe\xff"))
	switch {
	case wide || isText(head):
		return refuse("this is a text file, not a WAV recording: give the name of the recording itself")
	case len(head) >= 2 && head[0] == 0xFF && head[1]&0xE0 == 0xE0 && head[1]&0x06 == 0:
		// ADTS frames have the frame sync of MPEG audio with layer 0.
		return refuse("this is an AAC file, not a WAV recording: %s", advice)
	case len(head) >= 2 && head[0] == 0xFF && head[1]&0xE0 == 0xE0:
		return refuse("this is an MP3 file, not a WAV recording: %s", advice)
	case len(head) < 12:
		return refuse("this file has only %d bytes, too few for a WAV recording: record again, and stop the recorder before copying the file", len(head))
	case len(bytes.Trim(head, "\x00")) == 0:
		return refuse("this file begins with nothing but zero bytes, so it is damaged or was never written: copy it again or record again")
	}
	return refuse("this file does not begin like a WAV recording (%q where RIFF is wanted): %s", head[:4], advice)
}

// isText reports whether b reads as UTF-8 text; its last character may be cut.
func isText(b []byte) bool {
	b = bytes.TrimPrefix(b, []byte("\xef\xbb\xbf"))
	for len(b) > 0 {
		c, n := utf8.DecodeRune(b)
		if c == utf8.RuneError && n <= 1 {
			return len(b) < utf8.UTFMax && !utf8.FullRune(b)
		}
		if !unicode.IsPrint(c) && !unicode.IsSpace(c) {
			return false
		}
		b = b[n:]
	}
	return true
}

// Format tags, from the registry in RFC 2361 and the published header files.
const (
	tagPCM        = 0x0001
	tagFloat      = 0x0003
	tagExtensible = 0xFFFE
)

// compressed names the format tags most likely to be met that hold no plain
// samples.
var compressed = map[uint16]string{
	0x0002: "ADPCM",
	0x0006: "A-law",
	0x0007: "mu-law",
	0x0011: "IMA ADPCM",
	0x0031: "GSM 6.10",
	0x0050: "MPEG audio",
	0x0055: "MP3",
	0x00FF: "AAC",
	0x0161: "ASF audio",
	0x1610: "AAC",
	0x2000: "AC-3",
	0xF1AC: "FLAC",
}

// wrongTag refuses a format tag that is neither PCM nor float.
func wrongTag(tag uint16) error {
	if name, ok := compressed[tag]; ok {
		return refuse("the sound in this WAV file is compressed (%s, format tag 0x%04X), and only plain samples can be measured: %s", name, tag, advice)
	}
	return refuse("the sound in this WAV file is in a format that is not plain samples (format tag 0x%04X): %s", tag, advice)
}

// guidTail is what follows the format tag in the sub-format of an extensible
// header, in the byte order o.
func guidTail(o binary.ByteOrder) []byte {
	b := []byte{0, 0, 0, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71}
	o.PutUint16(b[2:], 0x0010)
	return b
}
