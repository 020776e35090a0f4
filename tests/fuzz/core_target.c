/* Any bytes, given to every function of the core as the reader gives texts to it; and places, sizes and names that
 * do not fit, which must be refused. Built with the sanitizers of addresses and of undefined behaviour, and driven by
 * libFuzzer: see `make fuzz`. All memory is of exactly the size that the core is told, so that one byte more is seen. */

#include <stdlib.h>
#include <string.h>

#include "../../miner/core/core.h"

static const uint8_t names[] = "EventWhiteWhiteEloResult";
static const int32_t name_sizes[] = {5, 5, 8, 6};
enum { NAMES = 4, GAMES = 64 };

static void *room(int64_t count, size_t size) {
    void *memory = malloc(count > 0 ? (size_t)count * size : 1);
    if (!memory) abort();
    return memory;
}

static void check(int holds) {
    if (!holds) abort();
}

/* What is read of `n` games. Places that do not fit may only be refused. */
static void read_games(const uint8_t *text, int64_t size, const int64_t *starts, const int64_t *moves,
                       const int64_t *ends, int64_t n, int32_t width, int fits) {
    int64_t longest = 0, most = 0;
    for (int64_t game = 0; fits && game < n; game++) {
        int64_t length = ends[game] - moves[game];
        longest = length > longest ? length : longest;
        most += length / 2 < width ? length / 2 : width;
    }
    uint8_t *scratch = room(longest, 1), *results = room(n, 1), *asides = room(n, 1), *is_empty = room(n, 1);
    uint32_t *hashes = room(n, 4);
    int64_t seen = core_movetexts(text, size, moves, ends, n, scratch, longest, results, asides, hashes, is_empty);
    check(seen == n || (!fits && seen == REFUSED));
    uint8_t *plies = room(n, 1), *is_illegal = room(n, 1), *visit_plies = room(most, 1);
    uint64_t *last_keys = room(n, 8), *visit_keys = room(most, 8);
    uint32_t *visit_games = room(most, 4);
    uint16_t *visit_moves = room(most, 2);
    int64_t rows = core_decode(text, size, moves, ends, n, width, scratch, longest, plies, is_illegal, last_keys,
                               visit_games, visit_plies, visit_keys, visit_moves, most);
    check((rows >= 0 && rows <= most) || (rows == REFUSED && (!fits || width < 1 || width > 255)));
    if (rows >= 0) {
        int64_t legal = 0, kept = 0;
        uint32_t *numbers = room(n, 4), *games = room(rows, 4);
        Row *rows_room = room(2 * rows, sizeof(Row));
        uint8_t *ordered_plies = room(rows, 1);
        uint64_t *keys = room(rows, 8);
        uint16_t *ordered_moves = room(rows, 2);
        for (int64_t game = 0; game < n; game++) {
            legal += plies[game];
            numbers[game] = (uint32_t)game + 7;
            is_empty[game] = game % 3 != 1;
        }
        check(rows <= legal);
        for (int64_t row = 0; row < rows; row++) kept += is_empty[visit_games[row]];
        check(core_order(visit_games, visit_plies, visit_keys, visit_moves, rows, is_empty, numbers, n, rows_room,
                         games, ordered_plies, keys, ordered_moves) == kept);
        for (int64_t row = 1; row < kept; row++) check(keys[row - 1] >> 32 <= keys[row] >> 32);
        if (rows > 0 && visit_games[rows - 1] > 0)
            check(core_order(visit_games, visit_plies, visit_keys, visit_moves, rows, is_empty, numbers,
                             visit_games[rows - 1], rows_room, games, ordered_plies, keys, ordered_moves) == REFUSED);
        free(numbers), free(games), free(rows_room), free(ordered_plies), free(keys), free(ordered_moves);
    }
    int64_t *begins = room(n * NAMES, 8), *value_ends = room(n * NAMES, 8), table_size = 1;
    int32_t *codes = room(n, 4), *firsts = room(n, 4);
    while (table_size < 2 * n) table_size *= 2;
    int32_t *table = room(table_size, 4);
    int64_t tagged = core_tags(text, size, starts, moves, n, names, name_sizes, NAMES, begins, value_ends);
    check(tagged == n || (!fits && tagged == REFUSED));
    for (int name = 0; tagged >= 0 && name < NAMES; name++) {
        int64_t *begin = begins + name * n, *end = value_ends + name * n;
        for (int64_t game = 0; game < n; game++) check(begin[game] <= end[game] && end[game] <= size);
        int64_t distinct = core_codes(text, size, begin, end, n, 5, table, table_size, codes, firsts);
        check(distinct >= (n > 0) && distinct <= n);
        for (int64_t game = 0; game < n; game++) {
            int32_t first = firsts[codes[game]];
            check(end[game] - begin[game] == end[first] - begin[first] &&
                  !memcmp(text + begin[game], text + begin[first], (size_t)(end[game] - begin[game])));
        }
    }
    free(scratch), free(results), free(asides), free(is_empty), free(hashes), free(plies), free(is_illegal);
    free(visit_plies), free(last_keys), free(visit_keys), free(visit_games), free(visit_moves), free(begins);
    free(value_ends), free(codes), free(firsts), free(table);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t data_size) {
    static int is_ready;
    if (!is_ready) core_init();
    is_ready = 1;
    if (data_size < 2) return 0;
    int64_t size = (int64_t)data_size - 2, bounds[2] = {0, data[1] % (size + 1)}, lines[GAMES];
    int32_t width = data[0];
    uint8_t *text = room(size, 1);
    memcpy(text, data + 2, (size_t)size);
    int64_t *starts = room(GAMES, 8), *moves = room(GAMES, 8), *ends = room(GAMES, 8);
    uint8_t *are_plain = room(GAMES, 1);
    int64_t found = core_regions(text, size, bounds, 1 + (bounds[1] > 0), starts, moves, ends, are_plain, GAMES);
    check(found >= (size > 0));
    if (found > GAMES) found = GAMES;
    int64_t games = 0;
    for (int64_t region = 0; region < found; region++) {
        check(starts[region] >= 0 && starts[region] < size && (!region || starts[region] > starts[region - 1]));
        if (!are_plain[region]) { /* all of it is tags and moves, for what that is worth */
            moves[region] = starts[region];
            ends[region] = region + 1 < found ? starts[region + 1] : size;
        }
        check(starts[region] <= moves[region] && moves[region] <= ends[region] && ends[region] <= size);
        games++;
    }
    check(core_count_lines(text, size, starts, games, lines) == games);
    read_games(text, size, starts, moves, ends, games, width, width > 0);
    int64_t whole[1] = {size}, none[1] = {0}, wild[1] = {(int64_t)data[0] * 3 - 9};
    read_games(text, size, none, none, whole, 1, width ? width : 1, 1);
    read_games(text, size, none, whole, whole, 1, 255, 1);
    read_games(text, size, wild, wild, whole, 1, 9, wild[0] >= 0 && wild[0] <= size);
    if (size < 100) core_perft(text, size, 1);
    free(text), free(starts), free(moves), free(ends), free(are_plain);
    return 0;
}
