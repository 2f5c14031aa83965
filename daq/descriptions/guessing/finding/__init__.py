"""Find in the bytes of a capture: lines and their ends, blocks, checksums, refusals, words of hexadecimal digits."""
