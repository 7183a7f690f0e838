//! How instruments are written on tracks, and what else stands there: English, Italian, German and French.

use super::Instrument;

/// An instrument and names of it, folded as the reader folds what it reads; a space parts the words of one name.
pub(super) type Names = (Instrument, &'static [&'static str]);

/// Names that mean one instrument and hardly anything else; first and second violins share theirs.
///
/// English, Italian, German and French; common practice, no source.
#[rustfmt::skip]
pub(super) const NAMES: [Names; 36] = [
    (
        Instrument::Violins1,
        &[
            "violin", "violins", "violine", "violinen", "violino", "violini", "violon", "violons", "geige",
            "geigen", "vl", "vls", "vln", "vlns", "vn", "vns", "vni", "vno", "vlni", "vlno", "v ni", "v no",
        ],
    ),
    (
        Instrument::Violas,
        &[
            "viola", "violas", "viole", "violen", "bratsche", "bratschen", "vla", "vlas", "vle", "v la",
            "v le",
        ],
    ),
    (
        Instrument::Cellos,
        &[
            "cello", "cellos", "celli", "violoncello", "violoncellos", "violoncelli", "violoncelle",
            "violoncelles", "violoncell", "violonc", "violoncello piccolo", "vc", "vcs", "vcl", "vcls",
            "vlc", "vlcs", "vlle", "v c", "v cl",
        ],
    ),
    (
        Instrument::DoubleBasses,
        &[
            "double bass", "double basses", "doublebass", "doublebasses", "dbl bass", "dbl basses", "dbl b",
            "string bass", "string basses", "upright bass", "contrabass", "contrabasses", "contra bass",
            "contra basses", "contrabasso", "contrabassi", "contrabbasso", "contrabbassi", "contrebasse",
            "contrebasses", "kontrabass", "kontrabasse", "kontrabaesse", "kontrabaessen", "kontra bass",
            "basses", "bassi", "baesse", "streichbass", "streichbaesse", "kb", "k b", "cb", "cbs", "c b",
            "d b", "dbs",
        ],
    ),
    (
        Instrument::Harp,
        &[
            "harp", "harps", "harfe", "harfen", "arpa", "arpe", "harpe", "harpes", "hfe", "hrf", "hrp",
        ],
    ),
    (
        Instrument::Flute,
        &[
            "flute", "flutes", "floete", "floeten", "flote", "floten", "querfloete", "querfloeten",
            "querflote", "querfloten", "grosse floete", "grosse floeten", "altfloete", "altfloeten",
            "altflote", "bassfloete", "bassflote", "blockfloete", "blockfloeten", "blockflote", "flauto",
            "flauti", "fl", "fls",
        ],
    ),
    (
        Instrument::Piccolo,
        &[
            "piccolo", "piccolos", "piccoli", "pikkolo", "piccolo flute", "piccolo flutes", "piccolofloete",
            "piccolofloeten", "piccoloflote", "pikkolofloete", "pikkolofloeten", "pikkoloflote",
            "kleine floete", "kleine floeten", "kleine flote", "kl floete", "kl flote", "kl fl",
            "flauto piccolo", "flauti piccoli", "fl piccolo", "fl picc", "petite flute", "petites flutes",
            "pte flute", "pte fl", "pt fl", "p fl", "ottavino", "ottavini", "picc", "piccs", "pikk",
        ],
    ),
    (
        Instrument::Oboe,
        &["oboe", "oboes", "oboen", "oboi", "hoboe", "hoboen", "hautbois", "ob", "htb", "hautb"],
    ),
    (
        Instrument::CorAnglais,
        &[
            "cor anglais", "cors anglais", "coranglais", "cor angl", "cor ang", "c angl", "corno inglese",
            "corni inglesi", "corno ingl", "c ing", "eng hrn", "engl hrn", "cor ingl", "cor ing", "c ingl",
            "english horn", "english horns", "eng horn", "engl horn", "eng hn", "engl hn", "e horn", "e hn",
            "ehn", "e h", "englischhorn", "englischhoerner", "englischhorner", "englisch horn", "engl hr",
            "englhr", "englh", "c a",
        ],
    ),
    (
        Instrument::Clarinet,
        &[
            "clarinet", "clarinets", "clarinetto", "clarinetti", "clarinette", "clarinettes", "klarinette",
            "klarinetten", "piccolo clarinet", "clarinetto piccolo", "petite clarinette",
            "kleine klarinette", "altklarinette", "bassetthorn", "bassetthoerner", "basset horn",
            "basset horns", "corno di bassetto", "corni di bassetto", "cor de basset", "cors de basset",
            "cl", "cls", "clar", "clars", "kl", "klar",
        ],
    ),
    (
        Instrument::BassClarinet,
        &[
            "bassclarinet", "bassklarinette", "bassklarinetten", "bassklar", "basskl",
            "kontrabassklarinette", "b clarinet", "b clarinets", "b cl", "b clar", "bcl", "bscl", "bkl",
            "cb cl", "clarone",
        ],
    ),
    (
        Instrument::Bassoon,
        &[
            "bassoon", "bassoons", "fagott", "fagotte", "fagotto", "fagotti", "basson", "bassons", "bsn",
            "bsns", "bssn", "bn", "bns", "fg", "fag",
        ],
    ),
    (
        Instrument::Contrabassoon,
        &[
            "contrabassoon", "contrabassoons", "contra bassoon", "contra bassoons", "contra bsn",
            "contrabsn", "double bassoon", "double bassoons", "dbl bassoon", "dbl bsn", "dbsn",
            "kontrafagott", "kontrafagotte", "kontra fagott", "contrafagott", "controfagotto",
            "controfagotti", "contrafagotto", "contrafagotti", "contrebasson", "contrebassons",
            "contre basson", "contre bassons", "cbsn", "cbssn", "cbn", "cfg", "cfag", "kfg", "kfag",
            "c bsn", "c bn", "c fg", "c fag", "k fg", "k fag",
        ],
    ),
    (
        Instrument::Saxophone,
        &[
            "sax", "saxes", "saxophone", "saxophones", "saxophon", "saxofon", "saxofone", "sassofono",
            "sassofoni", "sopransaxophon", "altsaxophon", "altsax", "tenorsaxophon", "tenorsax",
            "baritonsaxophon", "barisax", "asax", "tsax", "bsax",
        ],
    ),
    (
        Instrument::Horn,
        &[
            "horn", "horns", "hoerner", "french horn", "french horns", "waldhorn", "waldhoerner",
            "waldhorner", "corno", "corni", "cor", "cors", "hn", "hns", "hr", "hrn", "hrns",
        ],
    ),
    (
        Instrument::Trumpet,
        &[
            "trumpet", "trumpets", "tromba", "trombe", "trompete", "trompeten", "trompette", "trompettes",
            "piccolo trumpet", "piccolo trumpets", "picc trumpet", "picc tpt", "pic tpt", "piccolotrompete",
            "tromba piccola", "petite trompette", "trompette piccolo", "basstrompete", "cornet", "cornets",
            "kornett", "kornette", "kornet", "cornetta", "cornette", "cornetto", "flugelhorn",
            "flugelhorns", "fluegelhorn", "fluegelhoerner", "flicorno", "bugle", "bugles", "tpt", "tpts",
            "trp", "trps", "trpt", "trpts",
        ],
    ),
    (
        Instrument::Trombone,
        &[
            "trombone", "trombones", "tromboni", "posaune", "posaunen", "altposaune", "altposaunen",
            "tenorposaune", "tenorposaunen", "tbn", "tbns", "trb", "trbs", "trbn", "trbns", "tromb", "trmb",
        ],
    ),
    (
        Instrument::BassTrombone,
        &[
            "basstrombone", "bassposaune", "bassposaunen", "kontrabassposaune", "kontrabassposaunen",
            "basspos", "b trombone", "b trombones", "b tbn", "b trb", "b pos", "btbn", "btrb", "cb tbn",
            "cb trb", "cimbasso",
        ],
    ),
    (
        Instrument::Tuba,
        &["tuba", "tubas", "tuben", "basstuba", "basstuben", "kontrabasstuba", "kontrabasstuben"],
    ),
    (
        Instrument::Euphonium,
        &[
            "euphonium", "euphoniums", "euphonion", "eufonio", "euph", "euphs", "tenor tuba", "tenortuba",
            "tenor horn", "tenor horns", "tenorhorn", "tenorhoerner", "alto horn", "althorn",
            "baritone horn", "baritone horns", "baritonhorn", "flicorno baritono",
        ],
    ),
    (
        Instrument::Timpani,
        &[
            "timpani", "timpano", "timp", "timps", "pauke", "pauken", "timbales", "timbale", "timb",
            "kettledrum", "kettledrums", "kettle drum", "kettle drums", "pkn",
        ],
    ),
    (
        Instrument::BassDrum,
        &[
            "bass drum", "bass drums", "bassdrum", "b drum", "b dr", "b d", "gran cassa", "grancassa",
            "g cassa", "g c", "grosse trommel", "gr trommel", "gr tr", "grosse caisse", "gr caisse", "gr c",
            "grcassa",
        ],
    ),
    (
        Instrument::SnareDrum,
        &[
            "snare", "snares", "snare drum", "snare drums", "snaredrum", "side drum", "side drums",
            "tenor drum", "military drum", "kleine trommel", "kl trommel", "kl tr", "ruehrtrommel",
            "militaertrommel", "caisse claire", "caisses claires", "c claire", "tambour", "tamburo",
            "tamburi", "rullante", "s d", "s dr",
        ],
    ),
    (
        Instrument::Cymbals,
        &[
            "cymbal", "cymbals", "becken", "piatti", "piatto", "cinelli", "cymbale", "cymbales", "cym",
            "cyms", "cymb", "bck", "ptti",
        ],
    ),
    (Instrument::TamTam, &["tam tam", "tam tams", "tamtam", "tamtams", "gong", "gongs"]),
    (
        Instrument::Glockenspiel,
        &[
            "glockenspiel", "glockenspiele", "glock", "glsp", "glspl", "gsp", "campanelli",
            "jeu de timbres", "jeux de timbres", "orchestra bells", "orchestral bells",
        ],
    ),
    (
        Instrument::Xylophone,
        &["xylophone", "xylophones", "xylophon", "xylofono", "xilofono", "silofono", "xylo", "xyl"],
    ),
    (Instrument::Marimba, &["marimba", "marimbas", "marimbaphon", "marimbaphone", "marimbafono"]),
    (
        Instrument::Vibraphone,
        &["vibraphone", "vibraphones", "vibraphon", "vibrafono", "vibrafoni", "vibes", "vibr", "vibraph"],
    ),
    (
        Instrument::TubularBells,
        &[
            "tubular bell", "tubular bells", "tub bells", "t bells", "chimes", "roehrenglocke",
            "roehrenglocken", "rohrenglocken", "cloches", "cloches tubulaires", "campane",
            "campane tubolari", "rgl",
        ],
    ),
    (Instrument::Triangle, &["triangle", "triangles", "triangel", "triangolo", "triangoli", "trgl", "trg"]),
    (
        Instrument::Piano,
        &[
            "piano", "pianos", "pianoforte", "fortepiano", "klavier", "klav", "fluegel", "flugel",
            "konzertfluegel", "pno", "pfte",
        ],
    ),
    (Instrument::Celesta, &["celesta", "celeste", "celestas"]),
    (Instrument::Organ, &["organ", "organs", "organo", "organi", "orgel", "orgeln", "orgue", "orgues"]),
    (
        Instrument::Choir,
        &[
            "choir", "choirs", "chor", "choere", "choeur", "choeurs", "coro", "cori", "satb", "ssaa",
            "ttbb", "ssaattbb", "frauenchor", "maennerchor", "mannerchor", "knabenchor", "kinderchor",
        ],
    ),
    (
        Instrument::Guitar,
        &[
            "guitar", "guitars", "gitarre", "gitarren", "chitarra", "chitarre", "guitare", "guitares",
            "gtr", "gtrs",
        ],
    ),
];

/// Names of more than one player: plurals, and the abbreviations of strings, whose tracks are sections as a rule.
#[rustfmt::skip]
pub(super) const SECTIONS: [&str; 129] = [
    "violins", "violinen", "violini", "violons", "geigen", "vl", "vls", "vln", "vlns", "vn", "vns", "vni",
    "vlni", "v ni", "viol", "violas", "viole", "violen", "bratschen", "vla", "vlas", "vle", "v la", "v le",
    "altos", "va", "cellos", "celli", "violoncellos", "violoncelli", "violoncelles", "violonc", "vc", "vcs",
    "vcl", "vcls", "vlc", "vlcs", "vlle", "v c", "v cl", "double basses", "doublebasses", "dbl basses",
    "dbl b", "string basses", "contrabasses", "contra basses", "contrabassi", "contrabbassi",
    "contrebasses", "kontrabasse", "kontrabaesse", "kontrabaessen", "basses", "bassi", "baesse",
    "streichbaesse", "kb", "k b", "cb", "cbs", "c b", "d b", "db", "dbs", "flutes", "floeten", "floten",
    "querfloeten", "querfloten", "grosse floeten", "altfloeten", "blockfloeten", "flauti", "fls", "flts",
    "recorders", "oboes", "oboen", "oboi", "hoboen", "clarinets", "clarinetti", "clarinettes",
    "klarinetten", "bassetthoerner", "basset horns", "corni di bassetto", "cors de basset", "cls", "clars",
    "bassoons", "fagotte", "fagotti", "bassons", "bsns", "bns", "horns", "hoerner", "french horns",
    "waldhoerner", "waldhorner", "corni", "cors", "hns", "hrns", "trumpets", "trombe", "trompeten",
    "trompettes", "piccolo trumpets", "cornets", "kornette", "cornette", "flugelhorns", "fluegelhoerner",
    "bugles", "tpts", "trps", "trpts", "trombones", "tromboni", "posaunen", "altposaunen",
    "tenorposaunen", "tbns", "trbs", "trbns",
];

/// Words that say that one plays.
pub(super) const SOLO: [&str; 8] =
    ["solo", "soloist", "solist", "solista", "soliste", "seul", "seule", "sola"];

/// Words that say that a desk plays: two.
pub(super) const DESK: [&str; 4] = ["desk", "pult", "leggio", "pupitre"];

/// Words that say that all play.
#[rustfmt::skip]
pub(super) const TUTTI: [&str; 14] = [
    "tutti", "tutte", "all", "alle", "tous", "toutes", "section", "sect", "ens", "ensemble", "div",
    "divisi", "unis", "soli",
];

/// Names that have another meaning too: they count only where no name of [`NAMES`] is read.
#[rustfmt::skip]
pub(super) const DOUBTFUL: [Names; 24] = [
    (Instrument::Violins1, &["viol"]),
    // French, or a voice.
    (Instrument::Violas, &["alto", "altos", "va"]),
    // Also a D flat.
    (Instrument::DoubleBasses, &["db"]),
    // Also a high-pass filter.
    (Instrument::Harp, &["hp", "hps"]),
    // Also a filter, and a machine that records.
    (Instrument::Flute, &["flt", "flts", "recorder", "recorders"]),
    (Instrument::Piccolo, &["pic", "ott"]),
    (Instrument::Oboe, &["hb"]),
    (Instrument::CorAnglais, &["ca", "eh"]),
    // Also a track.
    (Instrument::Trumpet, &["tr"]),
    // Also a position.
    (Instrument::Trombone, &["pos"]),
    (Instrument::Tuba, &["tba"]),
    (Instrument::Timpani, &["pk"]),
    (Instrument::BassDrum, &["bd", "cassa"]),
    (Instrument::SnareDrum, &["sd"]),
    (Instrument::TamTam, &["tt", "t t"]),
    (Instrument::Glockenspiel, &["gl"]),
    // Also vibrato.
    (Instrument::Vibraphone, &["vib"]),
    (Instrument::TubularBells, &["glocken", "bells tubular"]),
    (Instrument::Triangle, &["tri"]),
    // Also a dynamic.
    (Instrument::Piano, &["pf"]),
    (Instrument::Organ, &["org"]),
    (Instrument::Guitar, &["git", "guit"]),
    (Instrument::Cymbals, &["bec"]),
    // One voice, or the size of a saxophone.
    (Instrument::Choir, &["soprano", "sopranos", "soprani", "sopran", "tenors", "tenori", "alti"]),
];

/// Names that hold an instrument's but mean something else, or nothing that sits in an orchestra.
#[rustfmt::skip]
pub(super) const NOTHING: [&str; 49] = [
    "synth bass", "synth basses", "bass guitar", "bass guitars", "bass gtr", "electric guitar",
    "electric guitars", "electric gtr", "elec guitar", "elec gtr", "el guitar", "el gtr", "e guitar",
    "e gtr", "e gitarre", "e git", "guitare electrique", "chitarra elettrica", "electric piano",
    "elec piano", "el piano", "e piano", "piano roll", "mouth organ", "electric organ", "electric bass",
    "car horn", "air horn", "fog horn", "train horn", "mouth harp", "jew s harp", "jaw harp", "blues harp",
    "triangle wave", "triangle lead", "triangle osc", "wind chimes", "bar chimes", "non vib", "no vib",
    "molto vib", "poco vib", "senza vib", "con vib", "with vib", "in db", "in cb", "reel to reel",
];

/// Words that make a wind instrument the bass of its family, before it or after it.
#[rustfmt::skip]
pub(super) const BASS: [&str; 17] = [
    "bass", "bs", "basse", "basso", "bassa", "bassi", "basses", "contrabass", "contrabasse", "contrabasso",
    "contrabassi", "contrabbasso", "contrabbassa", "contrebasse", "contrebasses", "kontrabass", "contra",
];

/// Words that name the size of a wind instrument, before it or after it, and leave the instrument what it is.
#[rustfmt::skip]
pub(super) const SIZE: [&str; 16] = [
    "soprano", "sopranos", "soprani", "sopran", "alto", "altos", "alti", "alt", "contralto", "tenor",
    "tenors", "tenore", "tenori", "baritone", "bariton", "bari",
];

/// The wind instruments that come in sizes, and the bass of each.
pub(super) const BASS_OF: [(Instrument, Instrument); 7] = [
    (Instrument::Flute, Instrument::Flute),
    (Instrument::Oboe, Instrument::Oboe),
    (Instrument::Clarinet, Instrument::BassClarinet),
    (Instrument::Saxophone, Instrument::Saxophone),
    (Instrument::Trumpet, Instrument::Trumpet),
    (Instrument::Trombone, Instrument::BassTrombone),
    (Instrument::Tuba, Instrument::Tuba),
];

/// Names of strings that are voices where something else is sung.
pub(super) const VOICES: [&str; 5] = ["alto", "altos", "basses", "bassi", "baesse"];

/// Words that name no choir but tell that something is sung.
#[rustfmt::skip]
pub(super) const SUNG: [&str; 14] = [
    "chorus", "vox", "vocal", "vocals", "voice", "voices", "voix", "voci", "stimmen", "singer", "singers",
    "tenor", "tenore", "mezzo",
];

/// Words that may stand between a name and its number: keys, parts and articulations.
#[rustfmt::skip]
pub(super) const BETWEEN: [&str; 86] = [
    "in", "en", "a", "b", "c", "d", "e", "f", "g", "es", "bb", "eb", "ab", "db", "flat", "sharp", "ut",
    "fa", "sol", "la", "si", "sib", "mib", "desk", "desks", "no", "nr", "part", "parte", "pult", "leggio",
    "pupitre", "chair",
    "player", "section", "sect", "sec", "solo", "soli", "tutti", "div", "divisi", "ens", "ensemble",
    "stacc", "staccato", "staccatissimo", "spicc", "spiccato", "leg", "legato", "sus", "sust", "sustain",
    "sustains", "sustained", "long", "longs", "short", "shorts", "marc", "marcato", "tenuto", "pizz",
    "pizzicato", "arco", "trem", "tremolo", "trill", "trills", "con", "sord", "sordino", "sordini", "mute",
    "muted", "det", "detache", "dolce", "espr", "vibrato", "harm", "harmonics", "flautando", "bass",
    "basse",
];

/// Words whose number is their own, not that of the name after it.
#[rustfmt::skip]
pub(super) const NUMBERED: [&str; 21] = [
    "track", "tr", "audio", "midi", "inst", "ch", "channel", "take", "act", "akt", "atto", "acte", "scene",
    "mvt", "movement", "satz", "cue", "reel", "bar", "mic", "version",
];

/// The numbers from 1 in Roman figures.
pub(super) const ROMAN: [&str; 9] = ["i", "ii", "iii", "iv", "v", "vi", "vii", "viii", "ix"];

/// The first numbers in words.
#[rustfmt::skip]
pub(super) const ORDINALS: [&[&str]; 4] = [
    &[
        "first", "firsts", "erste", "ersten", "erster", "premier", "premiers", "premiere", "premieres",
        "primo", "primi", "prima", "prime",
    ],
    &[
        "second", "seconds", "zweite", "zweiten", "zweiter", "deuxieme", "deuxiemes", "seconde", "secondes",
        "secondo", "secondi", "seconda", "2nds",
    ],
    &["third", "thirds", "dritte", "dritter", "troisieme", "troisiemes", "terzo", "terza", "terzi"],
    &["fourth", "fourths", "vierte", "vierter", "quatrieme", "quatriemes", "quarto", "quarta", "quarti"],
];

/// What follows a figure to make it an ordinal.
#[rustfmt::skip]
pub(super) const ENDINGS: [&str; 21] = [
    "st", "sts", "nd", "nds", "rd", "rds", "th", "er", "ers", "ere", "re", "eme", "emes", "e", "es", "o",
    "a", "i", "te", "ter", "da",
];
