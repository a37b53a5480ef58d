from pipeline.agreement.facts.nights import NightFacts, measure_nights, renewed
from pipeline.agreement.measuring import Agreement, agreement_of_nights, measure_agreement

__all__ = ["Agreement", "NightFacts", "agreement_of_nights", "measure_agreement", "measure_nights", "renewed"]
