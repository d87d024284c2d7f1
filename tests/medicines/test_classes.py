"""Each member of a class of medicines falls under the rule of its class.

Classes: the WHO's ATC index (chemical subgroup), codes from memory. That the perioperative statement is about the class
as a whole is said by the source of each rule.
"""

import pytest

from medicines.case_files import row_of

CLASSES = {
    "B01AB": ("low-molecular-weight-heparin", "enoxaparin dalteparin tinzaparin nadroparin bemiparin"),
    "B01AA, without warfarin": ("other-vitamin-k-antagonist", "acenocoumarol phenprocoumon fluindione"),
    "C02CA, G04CA": ("alpha-blocker", "doxazosin terazosin prazosin tamsulosin alfuzosin silodosin"),
    "C03": (
        "diuretic",
        (
            "hydrochlorothiazide chlorthalidone indapamide bendroflumethiazide metolazone furosemide bumetanide"
            " torsemide spironolactone eplerenone amiloride triamterene"
        ),
    ),
    "C07A": (
        "beta-blocker",
        (
            "metoprolol atenolol propranolol bisoprolol nebivolol nadolol sotalol pindolol acebutolol betaxolol"
            " celiprolol carvedilol labetalol"
        ),
    ),
    "C08CA, but amlodipine": (
        "calcium-channel-blocker",
        "nifedipine felodipine isradipine nicardipine nisoldipine lercanidipine lacidipine",
    ),
    "C09AA": (
        "acei-arb",
        "captopril enalapril lisinopril perindopril ramipril quinapril benazepril fosinopril trandolapril moexipril",
    ),
    "C09CA": ("acei-arb", "losartan eprosartan valsartan irbesartan candesartan telmisartan olmesartan azilsartan"),
    "C10AA": (
        "statin",
        "simvastatin lovastatin pravastatin fluvastatin atorvastatin rosuvastatin pitavastatin",
    ),
    "A10BB, BF, BG, BH, BX": (
        "glucose-tablets",
        (
            "glyburide glipizide gliclazide glimepiride acarbose miglitol pioglitazone rosiglitazone sitagliptin"
            " vildagliptin saxagliptin alogliptin linagliptin repaglinide nateglinide"
        ),
    ),
    "G03D, G03AC": (
        "progestin",
        (
            "progesterone medroxyprogesterone dienogest norethindrone desogestrel etonogestrel levonorgestrel"
            " norgestrel norelgestromin"
        ),
    ),
    "G04BD": ("antimuscarinic", "oxybutynin tolterodine solifenacin trospium darifenacin fesoterodine"),
    "G04BE": ("pde5-inhibitor", "sildenafil tadalafil vardenafil avanafil"),
    "H03AA": ("thyroid", "levothyroxine liothyronine"),
    "L02BG": ("aromatase-inhibitor", "anastrozole letrozole exemestane"),
    "N02CC": ("triptan", "sumatriptan naratriptan zolmitriptan rizatriptan almotriptan eletriptan frovatriptan"),
    "N03A": (
        "antiepileptic",
        (
            "phenobarbital primidone phenytoin ethosuximide carbamazepine oxcarbazepine rufinamide eslicarbazepine"
            " valproate vigabatrin tiagabine lamotrigine felbamate topiramate levetiracetam brivaracetam zonisamide"
            " lacosamide perampanel cenobamate"
        ),
    ),
    "N04B": ("parkinson", "levodopa amantadine ropinirole pramipexole rotigotine tolcapone entacapone opicapone"),
    "N05A, as far as no rule of its own is there": (
        "antipsychotic",
        (
            "fluphenazine perphenazine haloperidol lurasidone asenapine olanzapine quetiapine risperidone aripiprazole"
            " paliperidone brexpiprazole cariprazine lumateperone"
        ),
    ),
    "N05BA, N05CD": (
        "benzodiazepine",
        "diazepam chlordiazepoxide oxazepam clorazepate lorazepam alprazolam nitrazepam triazolam estazolam temazepam",
    ),
    "N05CF": ("sleeping-tablet", "zopiclone zolpidem zaleplon eszopiclone"),
    "N06AA": (
        "tricyclic",
        "desipramine imipramine clomipramine amitriptyline nortriptyline protriptyline doxepin",
    ),
    "R03AC, R03BA, but what is swallowed too (budesonide, beclomethasone)": (
        "inhaler",
        "albuterol salmeterol formoterol indacaterol olodaterol fluticasone ciclesonide mometasone",
    ),
}
MEMBERS = [(code, rule, name) for code, (rule, names) in CLASSES.items() for name in names.split()]


@pytest.mark.parametrize(("code", "rule", "name"), MEMBERS, ids=lambda v: v.replace(" ", "-"))
def test_a_member_falls_under_the_rule_of_its_class(code, rule, name):
    row = row_of({"words": f"{name} 10 mg"})
    assert (row.ingredients, row.rule) == ((name,), rule), code


def test_a_class_holds_each_of_its_members_alike():
    for code, (_, names) in CLASSES.items():
        rows = [row_of({"words": f"{name} 10 mg", "hours": ["08:00"]}) for name in names.split()]
        assert len({(row.decision, row.missed_days, row.longest_days) for row in rows}) == 1, code
