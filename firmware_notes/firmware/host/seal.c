/* Write the check value of the image into the .elf: seal FILE.elf FILE.bin
 *
 * FILE.bin is the same program as it will lie in flash. The four bytes behind the mark are left out of the
 * check and receive it, in both files' one place. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "crc32.h"

static const char MARK[8] = {'I', 'm', 'a', 'g', 'e', 'C', 'R', 'C'};

struct file {
    unsigned char *bytes;
    long length;
};

static struct file load(const char *name)
{
    struct file file = {0, 0};
    FILE *in = fopen(name, "rb");
    if (in && fseek(in, 0, SEEK_END) == 0 && (file.length = ftell(in)) > 0) {
        rewind(in);
        file.bytes = malloc((size_t)file.length);
        if (file.bytes && fread(file.bytes, 1, (size_t)file.length, in) != (size_t)file.length)
            file.length = 0;
    }
    if (in)
        fclose(in);
    if (!file.bytes || file.length <= 0) {
        fprintf(stderr, "seal: cannot read %s\n", name);
        exit(1);
    }
    return file;
}

/* Where the four bytes are; the mark must be there once. */
static long place_of(const char *name, const struct file *file)
{
    long place = -1;
    for (long at = 0; at + 12 <= file->length; at++)
        if (memcmp(file->bytes + at, MARK, sizeof MARK) == 0) {
            if (place >= 0)
                place = file->length;
            else
                place = at + 8;
        }
    if (place < 0 || place >= file->length) {
        fprintf(stderr, "seal: the mark of the check value must be in %s exactly once\n", name);
        exit(1);
    }
    return place;
}

int main(int argc, char **argv)
{
    if (argc != 3) {
        fprintf(stderr, "usage: seal FILE.elf FILE.bin\n");
        return 1;
    }
    struct file elf = load(argv[1]), image = load(argv[2]);
    long in_elf = place_of(argv[1], &elf), in_image = place_of(argv[2], &image);
    uint32_t crc = CRC32_START;
    for (long at = 0; at < image.length; at++)
        if (at < in_image || at >= in_image + 4)
            crc = crc32_byte(crc, image.bytes[at]);
    crc = crc32_end(crc);
    for (int i = 0; i < 4; i++)
        elf.bytes[in_elf + i] = (unsigned char)(crc >> (8 * i));
    FILE *out = fopen(argv[1], "wb");
    if (!out || fwrite(elf.bytes, 1, (size_t)elf.length, out) != (size_t)elf.length || fclose(out) != 0) {
        fprintf(stderr, "seal: cannot write %s\n", argv[1]);
        return 1;
    }
    return 0;
}
